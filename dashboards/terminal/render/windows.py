"""Windows in lines for a terminal of any width."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from rich.text import Text

from dashboards.terminal.palette import QUIET, STRONG, VERDICT_STYLES
from dashboards.terminal.render.now import wrapped
from dashboards.view import SYMBOLS, Reader
from dashboards.window_view import hour_marks, window_cautions, window_says
from forecast.verdict import WORST_FIRST, Verdict
from forecast.window_answer import JobWindows

_INDENT = 2
_HOURS = 72
_EVERY_H = 12
_MARKS = "# start here is go, + tight, . not"


def windows_text(shed: str, found: Sequence[JobWindows], at: datetime, reader: Reader, width: int) -> Text:
    """Return every job in every bay, the best first: verdict and window on one line, then the rest."""
    lines = [Text.assemble((shed, STRONG), (f"  {reader.stamp(at)}", QUIET))]
    for one in sorted(found, key=lambda one: -WORST_FIRST.index(one.verdict)):
        lines += [Text(), *_lines(one, at, reader, width)]
    cautions = window_cautions(found)
    if any(one.windows for one in found):
        cautions[-1] = f"{_MARKS}; {cautions[-1]}"
    if cautions:
        lines += [Text(), *(Text(line, style=QUIET) for one in cautions for line in wrapped(one, width, ""))]
    return Text("\n").join(lines)


def _lines(found: JobWindows, at: datetime, reader: Reader, width: int) -> list[Text]:
    pad = " " * _INDENT
    badge = Text(
        f" {SYMBOLS[found.verdict]} {found.verdict.value.upper()} ", style=VERDICT_STYLES[found.verdict]
    )
    first, *rest = window_says(found, at, reader) or [""]
    lines = [Text.assemble(badge, " ", (found.bay, STRONG), f", {found.job}")]
    lines += [Text(line, style=STRONG) for line in wrapped(first, width - _INDENT, pad)]
    lines += [Text(line) for words in rest for line in wrapped(words, width - _INDENT, pad)]
    if found.verdict in {Verdict.GO, Verdict.TIGHT}:
        cell_h = _cell_h(width)
        lines.append(Text(pad + _scale(at, reader, cell_h), style=QUIET))
        lines.append(Text(pad + hour_marks(found, at, cell_h, _HOURS)))
    return lines


def _cell_h(width: int) -> int:
    """Return how many hours one mark stands for, so that three days fit."""
    return next(hours for hours in (1, 2, 3, 4, 6, 12) if _HOURS // hours + _INDENT <= max(width, _EVERY_H))


def _scale(at: datetime, reader: Reader, cell_h: int) -> str:
    """Return the hours of the day over the marks, twice a day; midnight by its weekday."""
    cells = [" "] * (_HOURS // cell_h)
    for cell in range(len(cells)):
        local = (at + timedelta(hours=cell * cell_h)).astimezone(reader.zone)
        if local.hour % _EVERY_H < cell_h:
            word = f"{local:%a}" if local.hour < cell_h else f"{local:%H}"
            if cell + len(word) <= len(cells) and not "".join(cells[max(0, cell - 1) : cell]).strip():
                cells[cell : cell + len(word)] = word
    return "".join(cells).rstrip()
