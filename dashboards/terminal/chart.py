"""A chart of courses over time, drawn in braille dots or, for plainer terminals, in letters.

Pure: values in, lines of text out. Courses are told apart by how they are dotted and by their
names at the right edge, so that the chart reads without colour. Plain numbers all through: a chart has
some hundred dots, and the live screen goes without numpy.
"""

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from rich.style import Style
from rich.text import Text

from collector.clock import to_us
from dashboards.local_hours import round_hours

_BRAILLE = 0x2800
# Which of a cell's eight dots stands for (row of 4, column of 2): Unicode 15, block "Braille Patterns".
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
_GAP_S = 3600.0  # a course is broken where nothing is known for longer than this
_TICK_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
_TICK_ROWS = 3
_HOUR_STEPS = (1, 2, 3, 4, 6, 12, 24)
_TIME_CELLS = 9
_NEAR = 6.0  # a limit half of this beyond the courses is still drawn
_LABEL_CELLS = 5


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """One course: its name, letter for plain terminals, times and values, and how it is dotted.

    `times_us` rise [µs since 1970 UTC]; a value that is NaN is a hole.
    `every` is 1 for a solid line, 2 or 3 for one dotted that sparsely.
    """

    name: str
    letter: str
    times_us: Sequence[int]
    values: Sequence[float]
    every: int
    style: Style


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """A band of what may come: between `low` and `high` at its times."""

    times_us: Sequence[int]
    low: Sequence[float]
    high: Sequence[float]
    style: Style


@dataclass(frozen=True, slots=True)
class Frame:
    """What a chart shows: from when to when, where now is, and limits as levels across it.

    `unit` is written on the axis; values and levels are already in it.
    """

    start: datetime
    end: datetime
    now: datetime
    levels: tuple[float, ...]
    unit: str
    zone: tzinfo
    plain: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Canvas:
    """The raster: dots a cell wide and high, and the range of values from bottom to top."""

    columns: int
    rows: int
    low: float
    high: float
    cell: tuple[int, int]
    glyphs: list[list[str]]
    styles: list[list[Style | None]]
    dots: list[list[int]]

    def row(self, value: float) -> int:
        """Return a value's dot row from the top; one off the chart sticks to its edge."""
        share = (self.high - value) / (self.high - self.low)
        return round(min(max(share * (self.rows - 1), -1.0), float(self.rows)))

    def put(self, row: int, column: int, letter: str, style: Style) -> None:
        """Set one dot; what is put later lies on top."""
        if not (0 <= row < self.rows and 0 <= column < self.columns):
            return
        high, wide = self.cell
        line, place = row // high, column // wide
        if high > 1:
            self.dots[line][place] |= _DOTS[row % high][column % wide]
        else:
            self.glyphs[line][place] = letter
        self.styles[line][place] = style


def chart_lines(
    courses: Sequence[Course], spread: Spread | None, frame: Frame, width: int, height: int
) -> list[Text]:
    """Return a chart in `height` lines of `width` cells: axis left, hours below, names right.

    Empty where there is no room (under 24 cells or 4 lines) or nothing to show.
    """
    names = max((len(course.name) for course in courses), default=0)
    inner = width - _LABEL_CELLS - 1 - names - 1
    bounds = _bounds(courses, spread, frame)
    if inner < 12 or height < 4 or bounds is None:  # noqa: PLR2004  a chart that small says nothing
        return []
    canvas = _canvas(inner, height - 1, bounds, plain=frame.plain)
    _draw_levels(canvas, frame)
    if spread is not None:
        _draw_spread(canvas, spread, frame)
    _draw_now(canvas, frame)
    for course in courses:
        _draw_course(canvas, course, frame)
    labels = _value_labels(canvas, height - 1)
    ends = _names(canvas, courses, frame, height - 1)
    lines = []
    for i in range(height - 1):
        line = Text.assemble((f"{labels.get(i, ''):>{_LABEL_CELLS}} ", _QUIET))
        line.append_text(_canvas_line(canvas, i))
        name, style = ends.get(i, ("", Style()))
        line.append(f" {name}", style)
        lines.append(line)
    lines.append(Text(f"{frame.unit:>{_LABEL_CELLS}} " + _hours(frame, inner), style=_QUIET))
    return lines


_QUIET, _NONE = Style(dim=True), Style()


def _bounds(courses: Sequence[Course], spread: Spread | None, frame: Frame) -> tuple[float, float] | None:
    """Return what the chart spans: all that is in sight, and any limit near to it."""
    start_us, end_us = to_us(frame.start), to_us(frame.end)
    drawn = [(course.times_us, course.values) for course in courses]
    if spread is not None:
        drawn += [(spread.times_us, spread.low), (spread.times_us, spread.high)]
    values = [
        value
        for times_us, course in drawn
        for at_us, value in zip(times_us, course, strict=True)
        if start_us <= at_us <= end_us and math.isfinite(value)
    ]
    if not values:
        return None
    low, high = min(values), max(values)
    reach = max(high - low, _NEAR) / 2.0
    near = [level for level in frame.levels if low - reach <= level <= high + reach]
    low, high = min([low, *near]), max([high, *near])
    pad = max(0.04 * (high - low), 0.3)
    return low - pad, high + pad


def _canvas(width: int, height: int, bounds: tuple[float, float], *, plain: bool) -> _Canvas:
    cell = (1, 1) if plain else (4, 2)
    return _Canvas(
        columns=width * cell[1],
        rows=height * cell[0],
        low=bounds[0],
        high=bounds[1],
        cell=cell,
        glyphs=[[" "] * width for _ in range(height)],
        styles=[[None] * width for _ in range(height)],
        dots=[[0] * width for _ in range(height)],
    )


def _columns(canvas: _Canvas, frame: Frame) -> list[int]:
    """Return the time of each dot column."""
    start_us, span_us = to_us(frame.start), to_us(frame.end) - to_us(frame.start)
    return [start_us + column * span_us // max(canvas.columns - 1, 1) for column in range(canvas.columns)]


def _read(times_us: Sequence[int], values: Sequence[float], at_us: Sequence[int]) -> list[float]:
    """Read a course between its samples; NaN outside it and in its gaps."""
    known = [(at, value) for at, value in zip(times_us, values, strict=True) if math.isfinite(value)]
    times, kept = [at for at, _ in known], [value for _, value in known]
    return [_read_one(times, kept, at) for at in at_us]


def _read_one(times_us: list[int], values: list[float], at_us: int) -> float:
    if not times_us or not times_us[0] <= at_us <= times_us[-1]:
        return math.nan
    if len(times_us) == 1:
        return values[0]
    right = max(bisect_left(times_us, at_us), 1)
    since_us, until_us = times_us[right - 1], times_us[right]
    if until_us - since_us > _GAP_S * 1e6:
        return math.nan
    share = (at_us - since_us) / max(until_us - since_us, 1)
    return values[right - 1] + share * (values[right] - values[right - 1])


def _draw_course(canvas: _Canvas, course: Course, frame: Frame) -> None:
    values = _read(course.times_us, course.values, _columns(canvas, frame))
    before: int | None = None
    for column in range(canvas.columns):
        if not math.isfinite(values[column]):
            before = None
            continue
        row = canvas.row(values[column])
        if column % course.every == 0 or canvas.cell == (1, 1):
            first, last = (row, row) if before is None else sorted((before, row))
            for at in range(first, last + 1) if course.every == 1 else (row,):
                canvas.put(at, column, course.letter, course.style)
        before = row


def _draw_spread(canvas: _Canvas, spread: Spread, frame: Frame) -> None:
    """Hatch the band, sparsely enough for the courses to show through."""
    at_us = _columns(canvas, frame)
    low, high = (_read(spread.times_us, edge, at_us) for edge in (spread.low, spread.high))
    step = 1 if canvas.cell == (1, 1) else 2
    for column in range(canvas.columns):
        if math.isfinite(low[column]) and math.isfinite(high[column]):
            for row in range(canvas.row(high[column]), canvas.row(low[column]) + 1):
                if (row + column) % (2 * step) == 0 or (step == 1 and row % 2 == column % 2):
                    canvas.put(row, column, ":", spread.style)


def _draw_levels(canvas: _Canvas, frame: Frame) -> None:
    for level in frame.levels:
        if canvas.low <= level <= canvas.high:
            row = canvas.row(level)
            for column in range(0, canvas.columns, 4 if canvas.cell[0] > 1 else 2):
                canvas.put(row, column, "-", _QUIET)


def _draw_now(canvas: _Canvas, frame: Frame) -> None:
    share = (frame.now - frame.start) / (frame.end - frame.start)
    if not 0.0 <= share <= 1.0:
        return
    column = round(share * (canvas.columns - 1))
    for row in range(0, canvas.rows, 2 if canvas.cell[0] > 1 else 1):
        canvas.put(row, column, "|", _QUIET)


def _canvas_line(canvas: _Canvas, i: int) -> Text:
    """Return one line, neighbours of one style as one piece: a terminal is sent less that way."""
    letters = "".join(
        chr(_BRAILLE + dots) if dots else glyph
        for dots, glyph in zip(canvas.dots[i], canvas.glyphs[i], strict=True)
    )
    pieces: list[tuple[str, Style]] = []
    begin = 0
    styles = canvas.styles[i]
    for end in range(1, len(letters) + 1):
        if end == len(letters) or styles[end] is not styles[begin]:
            pieces.append((letters[begin:end], styles[begin] or _NONE))
            begin = end
    return Text.assemble(*pieces)


def _value_labels(canvas: _Canvas, height: int) -> dict[int, str]:
    """Return round values at their lines."""
    wanted = max(height // _TICK_ROWS, 1)
    step = next((s for s in _TICK_STEPS if (canvas.high - canvas.low) / s <= wanted + 1), _TICK_STEPS[-1])
    found = {}
    value = math.ceil(canvas.low / step) * step
    while value <= canvas.high:
        line = canvas.row(value) // canvas.cell[0]
        found[min(max(line, 0), height - 1)] = f"{value + 0.0:g}"  # never "-0"
        value += step
    return found


def _names(
    canvas: _Canvas, courses: Sequence[Course], frame: Frame, height: int
) -> dict[int, tuple[str, Style]]:
    """Put each course's name beside where it ends, moved down where another's stands."""
    ends = []
    columns = _columns(canvas, frame)
    for course in courses:
        known = [v for v in _read(course.times_us, course.values, columns) if math.isfinite(v)]
        if known:
            row = canvas.row(known[-1]) // canvas.cell[0]
            ends.append((min(max(row, 0), height - 1), course))
    found: dict[int, tuple[str, Style]] = {}
    for wanted, course in sorted(ends, key=lambda end: end[0]):
        free = [i for i in (*range(wanted, height), *range(wanted - 1, -1, -1)) if i not in found]
        if free:
            found[free[0]] = (course.name, course.style)
    return found


def _hours(frame: Frame, width: int) -> str:
    """Return the line of local hours, each beginning at its moment; midnight shows the day."""
    span = frame.end - frame.start
    hours = span / timedelta(hours=1)
    step = next((s for s in _HOUR_STEPS if hours / s * _TIME_CELLS <= width), _HOUR_STEPS[-1])
    line = [" "] * width
    free = 0
    for at in round_hours(frame.start, frame.end, step, frame.zone):
        place = round((at.astimezone(UTC) - frame.start) / span * (width - 1))
        words = f"{at:%a}" if at.hour == 0 else f"{at:%H:%M}"
        if place >= free and place + len(words) <= width:
            line[place : place + len(words)] = words
            free = place + len(words) + 1
    return "".join(line)
