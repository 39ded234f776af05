"""A chart's geometry on paper: what goes where, for SVG and PDF alike. Pure."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta

from dashboards.local_hours import clock_change
from dashboards.record.document import Chart, Panel

WIDTH, LEFT, RIGHT = 680.0, 46.0, 668.0
PANEL, GAP, FOOT, HEAD = 118.0, 26.0, 34.0, 26.0
COLOURS = {"part": "#b4501e", "air": "#2f6690", "dew": "#23776d", "humidity": "#63418c"}
DASHES = {"part": (), "air": (2.0, 4.0), "dew": (7.0, 4.0), "humidity": ()}
_STEPS = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
_HOURS = (1, 2, 3, 6, 12, 24, 48, 96, 168)
_MOST_LINES, _MOST_HOURS = 6, 9


@dataclass(frozen=True, slots=True)
class Stroke:
    """A line through points; `colour` is a hex code, `dash` lengths drawn and left out."""

    points: tuple[tuple[float, float], ...]
    colour: str
    width_ratio: float = 1.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Label:
    """Words at a point; `anchor` is ``start``, ``middle`` or ``end``."""

    at: tuple[float, float]
    text: str
    anchor: str = "start"
    colour: str = "#18222b"


def size(chart: Chart) -> tuple[float, float]:
    """Return how wide and high the picture is."""
    return WIDTH, HEAD + len(chart.panels) * (PANEL + GAP) + FOOT


def shapes(chart: Chart) -> Iterator[Stroke | Label]:
    """Yield all strokes and labels, from back to front."""
    bottom = HEAD + len(chart.panels) * (PANEL + GAP)
    yield from _hours(chart, bottom)
    for i, panel in enumerate(chart.panels):
        yield from _panel(chart, panel, HEAD + GAP / 2 + i * (PANEL + GAP))
    for i, (name, hour) in enumerate(chart.marks):
        x = _across(chart, hour)
        yield Stroke(((x, HEAD - 4), (x, bottom)), "#18222b", 0.8, (2.0, 2.0))
        yield Label((x, 9.0 + 11 * (i % 2)), name, "middle")


def _across(chart: Chart, hour: float) -> float:
    return LEFT + (RIGHT - LEFT) * hour / chart.span_h


def _hours(chart: Chart, bottom: float) -> Iterator[Stroke | Label]:
    every = next((h for h in _HOURS if chart.span_h / h <= _MOST_HOURS), _HOURS[-1])
    whole = chart.start.replace(minute=0, second=0, microsecond=0)
    for after in range(int(chart.span_h) + 2):
        at = whole + timedelta(hours=after)
        hour = (at - chart.start) / timedelta(hours=1)
        local = at.astimezone(chart.zone)
        if after % every == 0 and 0.0 <= hour <= chart.span_h:
            x = _across(chart, hour)
            yield Stroke(((x, HEAD + GAP / 2), (x, bottom)), "#d9d4c7", 0.6)
            yield Label((x, bottom + 14), f"{local:%H:%M}", "middle")
            yield Label((x, bottom + 26), f"{local:%d %b}", "middle", "#4a5660")
    end = chart.start + timedelta(hours=chart.span_h)
    if (change := clock_change(chart.start, end, chart.zone)) is not None:
        x = _across(chart, (change[0] - chart.start) / timedelta(hours=1))
        yield Stroke(((x, HEAD + GAP / 2), (x, bottom)), "#4a5660", 0.6)
        anchor = "end" if x > (LEFT + RIGHT) / 2 else "start"
        yield Label((x + (-4 if anchor == "end" else 4), bottom - 4), change[1], anchor, "#4a5660")


def _panel(chart: Chart, panel: Panel, top: float) -> Iterator[Stroke | Label]:
    values = [value for line in panel.lines for piece in line.pieces for _, value in piece]
    low, high = min(values) - 0.5, max(values) + 0.5
    near = (high - low) / 2.0
    limits = [(name, limit) for name, limit in panel.limits if low - near <= limit <= high + near]
    low, high = (
        min([low, *(limit - 0.5 for _, limit in limits)]),
        max([high, *(limit + 0.5 for _, limit in limits)]),
    )

    def down(value: float) -> float:
        return top + PANEL - PANEL * (value - low) / (high - low)

    yield Label((LEFT, top - 3), panel.title)
    step = next((step for step in _STEPS if (high - low) / step <= _MOST_LINES), _STEPS[-1])
    value = step * (low // step + 1.0)
    while value < high:
        yield Stroke(((LEFT, down(value)), (RIGHT, down(value))), "#d9d4c7", 0.6)
        yield Label((LEFT - 4, down(value) + 4), f"{value:g}", "end")
        value += step
    for name, limit in limits:
        yield Stroke(((LEFT, down(limit)), (RIGHT, down(limit))), "#a1232b", 1.0, (6.0, 3.0))
        yield Label((RIGHT, down(limit) - 3), f"{name} {limit:g}", "end", "#a1232b")
    for i, line in enumerate(panel.lines):
        colour, dash = COLOURS[line.style], DASHES[line.style]
        for piece in line.pieces:
            yield Stroke(_inside(chart, piece, down), colour, 1.6, dash)
        x = LEFT + 150 + 90.0 * i
        yield Stroke(((x, top - 7), (x + 24, top - 7)), colour, 1.6, dash)
        yield Label((x + 28, top - 3), line.name, colour=colour)


def _inside(
    chart: Chart, piece: Sequence[tuple[float, float]], down: Callable[[float], float]
) -> tuple[tuple[float, float], ...]:
    points = [(hour, value) for hour, value in piece if 0.0 <= hour <= chart.span_h]
    return tuple((_across(chart, hour), down(value)) for hour, value in points)
