"""One chart of the hours ahead as SVG: the part with its band, the air, the dew point. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from html import escape

from collector.units import shown_temperature
from dashboards.local_hours import clock_change, round_hours
from dashboards.phone.parts import section
from dashboards.view import Reader
from forecast.outlook import Band, BayOutlook, Outlook
from forecast.verdict import WORST_FIRST

HOURS = 24
_WIDTH, _HEIGHT = 360, 230
_LEFT, _RIGHT, _TOP, _BOTTOM = 34, 352, 12, 186
_STEPS_K = (1, 2, 5, 10, 20)
_MOST_LINES = 6
_NAMES = {
    "part_c": ("part", "pl", "pt"),
    "air_c": ("air", "al", "at"),
    "dew_point_c": ("dew point", "dl", "dt"),
}


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where a time and a temperature [reader's unit] stand on the picture."""

    start: datetime
    lowest: float
    highest: float

    def across(self, at: datetime) -> float:
        return _LEFT + (_RIGHT - _LEFT) * ((at - self.start) / timedelta(hours=HOURS))

    def down(self, shown: float) -> float:
        return _BOTTOM - (_BOTTOM - _TOP) * (shown - self.lowest) / (self.highest - self.lowest)


@dataclass(frozen=True, slots=True)
class _Line:
    """One quantity's course, in the reader's unit."""

    quantity: str
    at: tuple[datetime, ...]
    low: tuple[float, ...]
    likely: tuple[float, ...]
    high: tuple[float, ...]


def chart(outlook: Outlook, reader: Reader) -> str:
    """Return the chart of the bay that matters most, with its description; nothing without a forecast."""
    bay = _chosen(outlook)
    if bay is None:
        return ""
    lines = [
        line
        for quantity in _NAMES
        if (band := bay.band(quantity)) is not None and (line := _line(band, reader)).at
    ]
    if not lines:
        return ""
    frame = _frame(lines)
    svg = [*_grid(frame, reader), *_wanted(frame, bay, outlook, reader)]
    svg += [piece for line in lines for piece in _course(frame, line, is_first=line is lines[0])]
    says = escape(description(bay, outlook, reader))
    title = f"{bay.bay}: the next {HOURS} hours"
    picture = (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-labelledby="ct" aria-describedby="cd">'
        f'<title id="ct">{escape(title)}</title>{"".join(svg)}</svg>'
    )
    return section(title, [f'<figure>{picture}<figcaption id="cd">{says}</figcaption></figure>'])


def _chosen(outlook: Outlook) -> BayOutlook | None:
    """Return the bay of the worst cure that has a forecast, else the first that has one."""
    bays = {bay.bay: bay for bay in outlook.bays if bay.bands}
    cures = sorted(outlook.cures, key=lambda cure: WORST_FIRST.index(cure.verdict))
    wanted = [cure.bay for cure in cures if cure.bay in bays]
    return bays[wanted[0]] if wanted else next(iter(bays.values()), None)


def _line(band: Band, reader: Reader) -> _Line:
    count = min(len(band.likely), round(HOURS * 3600.0 / band.step_s) + 1)
    every = max(1, round(1800.0 / band.step_s))
    picked = range(0, count, every)

    def shown(values: Sequence[float]) -> tuple[float, ...]:
        return tuple(shown_temperature(values[i], fahrenheit=reader.units == "us") for i in picked)

    at = tuple(band.start_at + timedelta(seconds=band.step_s) * i for i in picked)
    return _Line(band.quantity, at, shown(band.low), shown(band.likely), shown(band.high))


def _frame(lines: Sequence[_Line]) -> _Frame:
    values = [value for line in lines for value in line.likely]
    values += [*lines[0].low, *lines[0].high]
    return _Frame(min(line.at[0] for line in lines), min(values) - 1.0, max(values) + 1.0)


def _grid(frame: _Frame, reader: Reader) -> Iterator[str]:
    span = frame.highest - frame.lowest
    step = next((step for step in _STEPS_K if span / step <= _MOST_LINES), _STEPS_K[-1])
    shown = step * (int(frame.lowest // step) + 1)
    while shown < frame.highest:
        y = frame.down(shown)
        yield f'<path class="gr" d="M{_LEFT} {y:.0f}H{_RIGHT}"/>'
        yield f'<text x="{_LEFT - 4}" y="{y + 4:.0f}" text-anchor="end">{shown}</text>'
        shown += step
    yield f'<text x="2" y="10">°{"F" if reader.units == "us" else "C"}</text>'
    yield from _hours(frame, reader)


def _hours(frame: _Frame, reader: Reader) -> Iterator[str]:
    """Mark the round hours, and the moment at which clocks are put back or on."""
    end = frame.start + timedelta(hours=HOURS)
    for local in round_hours(frame.start + timedelta(minutes=1), end, 6, reader.zone):
        x = frame.across(local.astimezone(UTC))
        yield f'<path class="gr" d="M{x:.0f} {_TOP}V{_BOTTOM}"/>'
        yield f'<text x="{x:.0f}" y="{_BOTTOM + 15}" text-anchor="middle">{local:%H:%M}</text>'
    if (change := clock_change(frame.start, end, reader.zone)) is not None:
        x = frame.across(change[0])
        anchor = "end" if x > (_LEFT + _RIGHT) / 2 else "start"
        yield f'<path class="by" d="M{x:.0f} {_TOP}V{_BOTTOM}"/>'
        yield f'<text x="{x + (-4 if anchor == "end" else 4):.0f}" y="{_BOTTOM - 4}" text-anchor="{anchor}">'
        yield f"{change[1]}</text>"


def _wanted(frame: _Frame, bay: BayOutlook, outlook: Outlook, reader: Reader) -> Iterator[str]:
    """Mark the hour by which the bay's first cure is wanted."""
    for cure in outlook.cures:
        ready = cure.ready
        if cure.bay == bay.bay and ready is not None and not ready.reached:
            x = frame.across(ready.wanted.at)
            if _LEFT < x <= _RIGHT:
                anchor = "end" if x > (_LEFT + _RIGHT) / 2 else "start"
                words = escape(
                    f"{ready.wanted.stage.value} by {reader.clock(ready.wanted.at, outlook.issued_at)}"
                )
                yield f'<path class="by" d="M{x:.0f} {_TOP}V{_BOTTOM}"/>'
                beside = x + (-4 if anchor == "end" else 4)
                yield f'<text x="{beside:.0f}" y="22" text-anchor="{anchor}">{words}</text>'
            return


def _course(frame: _Frame, line: _Line, *, is_first: bool) -> Iterator[str]:
    name, kind, text_kind = _NAMES[line.quantity]

    def points(values: Sequence[float]) -> list[str]:
        return [f"{frame.across(at):.0f} {frame.down(v):.0f}" for at, v in zip(line.at, values, strict=True)]

    if is_first:
        outline = points(line.high) + points(line.low)[::-1]
        yield f'<path class="pb" d="M{"L".join(outline)}Z"/>'
    yield f'<path class="{kind}" d="M{"L".join(points(line.likely))}"/>'
    x = _LEFT + 104 * list(_NAMES).index(line.quantity)
    yield f'<path class="{kind}" d="M{x} {_HEIGHT - 12}h28"/>'
    yield f'<text class="{text_kind}" x="{x + 34}" y="{_HEIGHT - 8}">{name}</text>'


def description(bay: BayOutlook, outlook: Outlook, reader: Reader) -> str:
    """Return the chart in a few sentences, for those who do not see it and those who only glance."""
    said = []
    for quantity, name in (("part_c", "Part"), ("air_c", "Air")):
        band = bay.band(quantity)
        if band is None or not band.likely:
            continue
        count = min(len(band.likely), round(HOURS * 3600.0 / band.step_s) + 1)
        likely = band.likely[:count]
        words = []
        for which, i in (("coldest", likely.index(min(likely))), ("warmest", likely.index(max(likely)))):
            at = reader.clock(band.start_at + timedelta(seconds=band.step_s) * i, outlook.issued_at)
            low, mid, high = (reader.temperature(v[i]) for v in (band.low, band.likely, band.high))
            words.append(f"{which} about {mid} ({low} to {high}) at {at}")
        said.append(f"{name} {', '.join(words)}.")
    margin = bay.band("margin_k")
    if margin is not None and margin.likely:
        count = min(len(margin.likely), round(HOURS * 3600.0 / margin.step_s) + 1)
        i = min(range(count), key=margin.likely.__getitem__)
        at = reader.clock(margin.start_at + timedelta(seconds=margin.step_s) * i, outlook.issued_at)
        said.append(f"Least margin above the dew point about {reader.difference(margin.likely[i])} at {at}.")
    return " ".join(said)
