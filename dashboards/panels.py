"""What `--plot` shows of forecasts, windows and resin cards, as `dashboards.panel_picture` takes it."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, timedelta
from math import isfinite, nan
from typing import Any

import numpy as np

from collector.clock import from_us
from collector.units import shown_temperature
from dashboards.local_hours import clock_change, round_hours
from dashboards.view import NAMES, Reader
from forecast.card import Card
from forecast.paths import Forecast
from forecast.resin import gel_surface
from forecast.verdict import Limits
from forecast.window import Thresholds
from forecast.window_answer import JobWindows

Panels = dict[str, Any]

_HOURS = 48
_LEAST_K, _LEAST_PCT = 6.0, 20.0
_UNITS = {"air_c": "°C", "part_c": "°C", "dew_point_c": "°C", "humidity_pct": "%"}
_US_PER_H = 3.6e9


def ahead_panels(found: Forecast, bays: Sequence[str], limits: Limits, reader: Reader) -> Panels:
    """Return the next 48 hours: temperatures and humidity of each bay, 8 times in 10 inside the band."""
    count = min(len(found.times_us), _HOURS * 6)
    hours = ((found.times_us[:count] - found.times_us[0]) / _US_PER_H).tolist()
    ticks = hour_ticks(int(found.times_us[0]), hours[-1], reader, every_h=6)
    panels: list[dict[str, Any]] = []
    for bay in bays:
        for quantities in (("part_c", "air_c"), ("humidity_pct",)):
            warmth = "part_c" in quantities
            lines = [
                _line(found, bay, name, count, hours, reader)
                for name in quantities
                if (bay, name) in found.paths
            ]
            what = f"temperature, °{'F' if reader.units == 'us' else 'C'}" if warmth else "humidity, %"
            if lines:
                panels.append(
                    {
                        "title": f"{bay}: {what}; in the band 8 times in 10",
                        "ticks": ticks,
                        "lines": lines,
                        "limits": list(_limits(limits, reader, lines, warmth=warmth)),
                        "least": _LEAST_K if warmth else _LEAST_PCT,
                    }
                )
    return {"panels": panels}


def _limits(
    limits: Limits, reader: Reader, lines: Sequence[dict[str, Any]], *, warmth: bool
) -> Iterator[list[object]]:
    """Yield the limits that the courses come near; a far one would press them flat."""
    known: list[tuple[float, str]] = [
        (limits.humidity_max_pct, f"dry enough to {limits.humidity_max_pct:g} %")
    ]
    if warmth:
        fahrenheit = reader.units == "us"
        known = [
            (shown_temperature(temp_c, fahrenheit=fahrenheit), f"{name} {reader.temperature(temp_c)}")
            for temp_c, name in ((limits.part_min_c, "part at least"), (limits.part_max_c, "part at most"))
        ]
    lowest, highest = (edge(edge(line[key]) for line in lines) for edge, key in ((min, "low"), (max, "high")))
    room = _LEAST_K if warmth else _LEAST_PCT
    yield from ([value, words] for value, words in known if lowest - room <= value <= highest + room)


def _line(
    found: Forecast, bay: str, quantity: str, count: int, hours: list[float], reader: Reader
) -> dict[str, object]:
    fahrenheit = reader.units == "us" and quantity.endswith("_c")
    low, likely, high = (
        [
            shown_temperature(value, fahrenheit=True) if fahrenheit else value
            for value in found.quantile(bay, quantity, odds)[:count].tolist()
        ]
        for odds in (0.1, 0.5, 0.9)
    )
    return {"name": NAMES[quantity], "x": hours, "low": low, "likely": likely, "high": high}


def gel_panels(card: Card, reader: Reader) -> Panels:
    """Return a card's gel times over temperature, a line for each percentage of its table, with its band."""
    surface = gel_surface(card)
    temps = sorted({cell.temp_c for cell in card.gel})
    grid = np.linspace(temps[0], temps[-1], 61).tolist()
    lines = []
    for pct in sorted({cell.catalyst_pct for cell in card.gel}):
        told = [surface.minutes(temp_c, pct) for temp_c in grid]
        cells = [cell for cell in card.gel if cell.catalyst_pct == pct]
        lines.append(
            {
                "name": f"{pct:g} %",
                "points": [
                    [
                        shown_temperature(cell.temp_c, fahrenheit=reader.units == "us"),
                        cell.low_min,
                        cell.high_min,
                    ]
                    for cell in cells
                ],
                "x": [shown_temperature(temp_c, fahrenheit=reader.units == "us") for temp_c in grid],
                "low": [one.low_min for one in told],
                "likely": [one.likely_min for one in told],
                "high": [one.high_min for one in told],
            }
        )
    title = f"{card.name}: minutes to gel"
    across = f"°{'F' if reader.units == 'us' else 'C'}; {card.hardener.kind}"
    across += "; a generic card, of no maker" if card.generic else ""
    return {"panels": [{"title": title, "across": across, "lines": lines, "log": True}]}


def windows_panels(found: Sequence[JobWindows], odds: Thresholds, reader: Reader) -> Panels:
    """Return the odds of starting each job at each time ahead: by bay and job [%]."""
    panels: list[dict[str, Any]] = []
    for bay in dict.fromkeys(one.bay for one in found):
        lines = []
        ticks: list[list[object]] = []
        for one in found:
            if one.bay == bay and one.starts is not None and len(one.starts):
                times_us = one.starts.times_us
                hours = ((times_us - times_us[0]) / _US_PER_H).tolist()
                ticks = hour_ticks(int(times_us[0]), hours[-1], reader, every_h=12)
                lines.append({"name": one.job, "x": hours, "likely": (100.0 * one.starts.odds).tolist()})
        if lines:
            title = f"{bay}: odds that the job holds, by its start, %"
            limits = [[100.0 * odds.go_odds, "go from here"], [100.0 * odds.tight_odds, "tight from here"]]
            panels.append(
                {"title": title, "ticks": ticks, "lines": lines, "limits": limits, "span": [-3.0, 103.0]}
            )
    return {"panels": panels}


def hindcast_panels(found: Mapping[str, Any]) -> Panels:
    """Return scores over the hours ahead, a row for each bay and quantity; of decisions, what held."""
    if "windows" in found:
        return {"panels": [_honesty(bay, one) for bay, one in found["windows"].items() if one["n"]]}
    panels: list[dict[str, Any]] = []
    for bay, quantities in found["bays"].items():
        for name, scores in quantities.items():
            panels += _scores(f"{bay}: {NAMES.get(name, name)}", _UNITS.get(name, ""), scores)
    return {"panels": panels, "columns": 2}


def _scores(name: str, unit: str, scores: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """Yield the errors of one bay and quantity beside naive forecasts, and how often its range held."""
    known = {int(hours): one for hours, one in scores.items() if one["n"]}
    ticks = [[hours, str(hours)] for hours in known]

    def line(key: str, words: str, marker: str, scale: float = 1.0) -> dict[str, object]:
        values = [nan if one[key] is None else scale * one[key] for one in known.values()]
        return {"name": words, "x": list(known), "likely": values, "marker": marker}

    shared = {"ticks": ticks, "across": "hours ahead"}
    errors = [
        line("mae", "layday", "o"),
        line("mae_persistence", "as now", "s"),
        line("mae_yesterday", "yesterday", "^"),
    ]
    highest = max((value for one in errors for value in _floats(one["likely"])), default=1.0)
    yield {"title": f"{name}, {unit}", "lines": errors, "span": [0.0, 1.1 * highest], **shared}
    held = [line("cover80", "all", "o", 100.0), line("cover80_worst_week", "worst week", "v", 100.0)]
    yield {
        "title": "8 in 10 held, %", "lines": held, "span": [0.0, 103.0], "belt": [78.0, 82.0], **shared
    }  # fmt: skip


def _honesty(bay: str, scores: Mapping[str, Any]) -> dict[str, Any]:
    """Return how often what was said with some odds held: on the slant, as often as said."""
    tenths = scores["reliability"]
    said = [100.0 * one["odds"] for one in tenths]
    held = [100.0 * one["held"] for one in tenths]
    return {
        "title": f"{bay}: {scores['n']} starts; beside each point how many",
        "lines": [
            {"name": "held, %", "x": said, "likely": held, "marker": "o"},
            {"name": "as said", "x": [0.0, 100.0], "likely": [0.0, 100.0]},
        ],
        "across": "odds said, %",
        "span": [-3.0, 103.0],
        "notes": [[x, y, str(one["n"])] for x, y, one in zip(said, held, tenths, strict=True)],
    }


def _floats(values: object) -> list[float]:
    return [value for value in values if isfinite(value)] if isinstance(values, list) else []


def hour_ticks(first_us: int, span_h: float, reader: Reader, every_h: int) -> list[list[object]]:
    """Return round local hours in a span [h], and a change of clocks, as (hours after its start, words)."""
    first = from_us(first_us)
    end = first + timedelta(hours=span_h)
    marks = [(at.astimezone(UTC), f"{at:%a %H:%M}") for at in round_hours(first, end, every_h, reader.zone)]
    if (change := clock_change(first, end, reader.zone)) is not None:
        marks.append((change[0], f"\n{change[1]}"))  # a line lower, beside hours that lie near
    return [[(at - first) / timedelta(hours=1), words] for at, words in sorted(marks)]
