"""Cures in lines for a terminal of any width."""

from collections.abc import Sequence
from datetime import datetime

from rich.text import Text

from dashboards.ahead_view import ahead_words
from dashboards.care import tonight_cautions
from dashboards.cure_steps import cold_words
from dashboards.cure_view import (
    age_of,
    caution_words,
    headline,
    recoat_words,
    to_do_words,
    warmth_words,
    when_words,
)
from dashboards.terminal.palette import QUIET, STRONG
from dashboards.terminal.render.now import wrapped
from dashboards.view import Reader
from forecast.cure_outlook import CureOutlook
from forecast.cure_state import CureState
from forecast.verdict import WORST_FIRST

_INDENT = 2
_STAGE_COLUMN, _DONE_COLUMN = 11, 6


def tonight_text(shed: str, cures: Sequence[CureOutlook], at: datetime, reader: Reader, width: int) -> Text:
    """Return every live cure: what is the matter first, then the rest."""
    lines = [Text.assemble((shed, STRONG), (f"  {reader.stamp(at)}", QUIET))]
    for found in sorted(cures, key=_urgency):
        lines += [Text(), *cure_lines(found, at, reader, width)]
    if not cures:
        lines += [Text(), Text("No live cure. 'layday cure start' begins one when a batch is laid.")]
    for caution in tonight_cautions(cures):
        lines += [Text(), *(Text(line, style=QUIET) for line in wrapped(caution, width, ""))]
    return Text("\n").join(lines)


def cure_lines(found: CureOutlook, at: datetime, reader: Reader, width: int) -> list[Text]:
    """Return one cure: where it stands, cautions, stages, and what it still takes."""
    state = found.state
    head = wrapped(f"{found.key}  {found.part}, {found.bay}: {headline(found)}", width, "")
    batch = f"{found.card_name}, {found.catalyst_pct:g} %"
    batch += f", lot {found.lot}" if found.lot else ""
    about = f"{batch}, laid {reader.clock(found.laid_at, at)}, {age_of(found, at)}"
    lines = [*(Text(line, style=STRONG) for line in head), *_quiet(about, width)]
    if state is None:
        return lines + _plain("Check the bay's sensors: 'layday check' says more.", width)
    if state.silent_h:
        lines += _plain("Check the bay's sensors: 'layday check' says more.", width)
    for caution in state.cautions:
        lines += _plain(f"! {caution_words(caution, reader)}", width)
    if cold := cold_words(state):
        lines += _plain(cold, width)
    for sentence in ahead_words(found, state, reader):
        lines += _plain(sentence, width)
    lines += _stage_lines(found, state, reader, width)
    for sentence in (to_do_words(state, found, reader), recoat_words(state, found, reader)):
        lines += _plain(f"{sentence}.", width) if sentence else []
    for sentence in warmth_words(state, found, reader):
        lines += _quiet(f"{sentence}.", width)
    return lines


def _urgency(found: CureOutlook) -> tuple[int, bool]:
    """Put the worst verdict first, stalled before the rest of the same."""
    stalled = found.state is not None and found.state.stalled
    return WORST_FIRST.index(found.verdict), not stalled


def _stage_lines(found: CureOutlook, state: CureState, reader: Reader, width: int) -> list[Text]:
    """Give stage, share done and when; whole per cents are rounded down, so that 100 % means done."""
    lines = []
    for stage in state.stages:
        done = f"{int(100.0 * stage.progress)} %"
        when = wrapped(
            when_words(stage, found, state, reader), width - _INDENT - _STAGE_COLUMN - _DONE_COLUMN, ""
        )
        first = f"{stage.stage.value:<{_STAGE_COLUMN}}{done:>5} {when[0]}"
        rest = [" " * (_STAGE_COLUMN + _DONE_COLUMN) + line for line in when[1:]]
        lines += [Text(" " * _INDENT + line) for line in (first, *rest)]
    return lines


def _plain(sentence: str, width: int) -> list[Text]:
    return [Text(line) for line in wrapped(sentence, width - _INDENT, " " * _INDENT)]


def _quiet(sentence: str, width: int) -> list[Text]:
    return [Text(line, style=QUIET) for line in wrapped(sentence, width - _INDENT, " " * _INDENT)]
