"""The shed as it is now, in lines for a terminal of any width."""

import re
import textwrap

from rich.text import Text

from dashboards.terminal.palette import QUIET, STRONG, VERDICT_STYLES
from dashboards.view import SYMBOLS, Reader, advice_words, bay_numbers, headline, reason_words
from forecast.shed_now import ShedNow
from forecast.verdict import WORST_FIRST, BayNow, Verdict

_NARROW = 60
_INDENT = 2
_GAP = 2


def now_text(now: ShedNow, reader: Reader, width: int) -> Text:
    """Return every bay, the worst first: verdict, why, what to do, and the numbers."""
    lines = [_title(now, reader)]
    for bay in sorted(now.bays, key=lambda bay: WORST_FIRST.index(bay.verdict)):
        lines += [Text(), *_bay_lines(bay, reader, width)]
    if not now.bays:
        lines += [Text(), Text("No bay is configured and none has been heard."), *_first_steps()]
    return Text("\n").join(lines)


def _title(now: ShedNow, reader: Reader) -> Text:
    return Text.assemble((now.shed, STRONG), (f"  {reader.stamp(now.at)}", QUIET))


def _first_steps() -> list[Text]:
    return [Text("Try 'layday demo', or name your sensors in the configuration: 'layday check --settings'.")]


def _bay_lines(bay: BayNow, reader: Reader, width: int) -> list[Text]:
    badge = Text(f" {SYMBOLS[bay.verdict]} {bay.verdict.value.upper()} ", style=VERDICT_STYLES[bay.verdict])
    lines = [Text.assemble(badge, " ", (bay.bay, STRONG), "  ", headline(bay.verdict))]
    pad = " " * _INDENT
    if bay.verdict is Verdict.GO:
        says = ["every limit holds, as sure as the sensors are"]
    else:
        says = [reason_words(reason, reader) for reason in bay.reasons]
    if advice := advice_words(bay):
        says.append(f"What to do: {advice}")
    lines += [Text(line) for words in says for line in wrapped(words, width - _INDENT, pad)]
    return lines + _number_lines(bay_numbers(bay, reader), width, pad)


def _number_lines(numbers: list[tuple[str, str]], width: int, pad: str) -> list[Text]:
    """Give name over value in columns, or one under the other where the terminal is narrow."""
    columns = [max(len(name), len(value)) for name, value in numbers]
    if width < _NARROW or sum(columns) + _GAP * len(columns) + _INDENT > width:
        widest = max(len(name) for name, _ in numbers)
        return [Text.assemble(pad, (f"{name:<{widest}}  ", QUIET), value) for name, value in numbers]
    gap = " " * _GAP
    heads = gap.join(f"{name:<{column}}" for (name, _), column in zip(numbers, columns, strict=True))
    values = gap.join(f"{value:<{column}}" for (_, value), column in zip(numbers, columns, strict=True))
    return [Text.assemble(pad, (heads.rstrip(), QUIET)), Text(pad + values.rstrip())]


def wrapped(words: str, width: int, pad: str) -> list[str]:
    """Break a sentence into lines that fit, never between a number and its unit, nor within a longer word."""
    tied = re.sub(r"(?<=\d) (?=°|%|±|\+/-|[CF]\b)", "\N{NO-BREAK SPACE}", words)
    lines = textwrap.wrap(tied, max(width, 1), break_long_words=False, break_on_hyphens=False)
    return [pad + line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]
