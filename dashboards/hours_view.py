"""From a forecast to words, numbers and a small chart of the next two days. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt
from rich.style import Style
from rich.text import Text

from collector.clock import from_us, to_us
from collector.units import shown_temperature
from dashboards.ahead_view import odds_words
from dashboards.terminal.chart import Course, Frame, Spread, chart_lines
from dashboards.terminal.palette import QUIET, STRONG
from dashboards.view import NAMES, Reader
from forecast.air import margin_k
from forecast.paths import Forecast
from forecast.verdict import Limits

Truths = npt.NDArray[np.bool_]
SPAN = timedelta(hours=48)
HOURS = (1, 2, 3, 4, 6, 8, 10, 12, 16, 20, 24, 30, 36, 42, 48)
_ODDS = (0.1, 0.5, 0.9)
_DAY_STEPS = 144
_DRAWN: dict[str, tuple[str, str, int, Style]] = {
    "part_c": ("part", "p", 1, STRONG),
    "air_c": ("air", "a", 2, Style(color="bright_yellow")),
}
_SHOWN = ("air_c", "part_c", "humidity_pct")
_EVEN = 0.5
_WORTH_SAYING = 0.1


@dataclass(frozen=True, slots=True)
class Hour:
    """What one quantity may be at one time, in its own unit: 8 times in 10 between low and high."""

    at: datetime
    low: float
    likely: float
    high: float


def hours_of(forecast: Forecast, bay: str, quantity: str) -> list[Hour]:
    """Return a quantity at the hours shown (`HOURS`)."""
    courses = [forecast.quantile(bay, quantity, odds) for odds in _ODDS]
    wanted = int(forecast.times_us[0]) + 3_600_000_000 * np.array(HOURS)
    places = np.searchsorted(forecast.times_us, wanted)
    return [
        Hour(from_us(int(forecast.times_us[place])), *(round(float(course[place]), 2) for course in courses))
        for place in places
        if place < len(forecast.times_us)
    ]


def bay_sentences(forecast: Forecast, bay: str, limits: Limits, reader: Reader) -> list[str]:
    """Return what the next hours hold for a bay, in sentences: cold, warmth, damp, dew."""
    said = [
        f"{NAMES[quantity].capitalize()}: {_extremes(forecast, bay, quantity, reader)}."
        for quantity in ("air_c", "part_c")
        if (bay, quantity) in forecast.paths
    ]
    if (bay, "humidity_pct") in forecast.paths:
        over = forecast.paths[bay, "humidity_pct"] > limits.humidity_max_pct
        said.append(f"Humidity {_stretch(forecast, over, f'over {limits.humidity_max_pct:g} %', reader)}.")
    wet = _too_near_dew(forecast, bay, limits)
    if wet is not None:
        words = f"within {reader.difference(limits.margin_min_k)} of its dew point"
        said.append(f"Part {_stretch(forecast, wet, words, reader)}.")
    return said


def _extremes(forecast: Forecast, bay: str, quantity: str, reader: Reader) -> str:
    """Say when and how cold and how warm the next 24 h probably get."""
    courses = [forecast.quantile(bay, quantity, odds)[:_DAY_STEPS] for odds in _ODDS]
    words = []
    for name, place in (("coldest", int(np.argmin(courses[1]))), ("warmest", int(np.argmax(courses[1])))):
        low, likely, high = (float(course[place]) for course in courses)
        when = reader.clock(from_us(int(forecast.times_us[place])), forecast.issued_at)
        words.append(
            (place, f"{name} {reader.temperature(likely, 0)} about {when} ({_span(low, high, reader)})")
        )
    return ", ".join(text for _, text in sorted(words))


def _span(low: float, high: float, reader: Reader) -> str:
    """Return the two edges of a range of temperatures, the unit once."""
    return f"{reader.temperature(low, 0).split()[0]} to {reader.temperature(high, 0).split()[0]}"


def _stretch(forecast: Forecast, holds: Truths, words: str, reader: Reader) -> str:
    """Say from when to when something is more likely than not in the next 48 h, or how likely at all."""
    inside = forecast.times_us <= to_us(forecast.issued_at + SPAN)
    odds = holds[:, inside].mean(axis=0)
    likely = odds >= _EVEN
    if likely.all():
        return f"{words} throughout"
    if not likely.any():
        most = float(holds[:, inside].any(axis=1).mean())
        if most < _WORTH_SAYING:
            return f"stays clear of being {words}" if words.startswith("within") else f"not {words}"
        return f"{words} at some time: {odds_words(most)}"
    start = int(np.argmax(likely))
    rest = ~likely[start:]
    end = start + int(np.argmax(rest)) if rest.any() else None
    first = "now" if start == 0 else reader.clock(from_us(int(forecast.times_us[start])), forecast.issued_at)
    if end is None:
        return f"{words} from {first} on"
    last = reader.clock(from_us(int(forecast.times_us[end])), forecast.issued_at)
    return f"{words} from {first} to {last}"


def _too_near_dew(forecast: Forecast, bay: str, limits: Limits) -> Truths | None:
    """Return, per path and step, whether the part is within the least margin; None without a part."""
    names = [(bay, name) for name in ("part_c", "air_c", "humidity_pct")]
    if not all(name in forecast.paths for name in names):
        return None
    part, air, humidity = (forecast.paths[name] for name in names)
    known = np.clip(air, -40.0, 60.0), np.clip(humidity, 1.0, 100.0)
    found: Truths = margin_k(part, *known) < limits.margin_min_k
    return found


def table_rows(
    forecast: Forecast, bay: str, reader: Reader, *, narrow: bool = False
) -> tuple[list[str], list[list[str]]]:
    """Return the head and the rows of a bay's table: time, and each quantity with its range.

    `narrow` writes a range as ``18 (13/26)``, so that a row fits on 50 cells.
    """
    between = "/" if narrow else " to "
    shown = [name for name in _SHOWN if (bay, name) in forecast.paths]
    columns = {name: hours_of(forecast, bay, name) for name in shown}
    unit = {"humidity_pct": "%"}
    head = ["", *(f"{NAMES[name]} {unit.get(name, reader.temperature(0.0).split()[1])}" for name in shown)]
    rows = [
        [
            reader.clock(hour.at, forecast.issued_at),
            *(_cell(name, columns[name][place], reader, between) for name in shown),
        ]
        for place, hour in enumerate(columns[shown[0]])
    ]
    return head, rows


def _cell(name: str, hour: Hour, reader: Reader, between: str) -> str:
    low, likely, high = (
        reader.quantity(name, value).split()[0]
        if name == "humidity_pct"
        else reader.temperature(value, 0).split()[0]
        for value in (hour.low, hour.likely, hour.high)
    )
    return f"{likely:>3} ({low}{between}{high})"


def bay_chart(
    forecast: Forecast, bay: str, limits: Limits, reader: Reader, size: tuple[int, int], *, plain: bool
) -> list[Text]:
    """Return the likely courses of air and part over 48 h, the range hatched, as lines of `size` cells.

    Empty where the bay has no temperature, or `size` (width, height) leaves no room. `plain` draws
    with letters, for consoles without dots.
    """
    shown = [name for name in _DRAWN if (bay, name) in forecast.paths]
    if not shown:
        return []

    def of_reader(values: Iterable[float]) -> list[float]:
        return [shown_temperature(float(v), fahrenheit=reader.units == "us") for v in values]

    times = forecast.times_us.tolist()
    courses = []
    for name in shown:
        words, letter, every, style = _DRAWN[name]
        likely = of_reader(forecast.quantile(bay, name, 0.5))
        courses.append(Course(words, letter, times, likely, every, style))
    low, high = (of_reader(forecast.quantile(bay, shown[0], odds)) for odds in (_ODDS[0], _ODDS[-1]))
    levels = of_reader([limits.air_min_c, limits.air_max_c])
    frame = Frame(
        forecast.issued_at,
        forecast.issued_at + SPAN,
        forecast.issued_at,
        tuple(levels),
        reader.temperature(0.0).split()[1],
        reader.zone,
        plain=plain,
    )
    return chart_lines(courses, Spread(times, low, high, QUIET), frame, *size)


def ahead_json(forecast: Forecast, bays: Sequence[str], limits: Limits, reader: Reader) -> dict[str, object]:
    """Return the forecast as ``layday/ahead/1``: numbers in °C and %, and the same sentences."""
    found: dict[str, dict[str, object]] = {}
    for bay, quantity in forecast.paths:
        if bay in bays:
            found.setdefault(bay, {})[quantity] = [
                {"at": _iso(hour.at), "low": hour.low, "likely": hour.likely, "high": hour.high}
                for hour in hours_of(forecast, bay, quantity)
            ]
    return {
        "schema": "layday/ahead/1",
        "issued_at": _iso(forecast.issued_at),
        "bays": found,
        "words": {bay: bay_sentences(forecast, bay, limits, reader) for bay in bays},
        "notes": list(forecast.notes),
    }


def _iso(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}"
