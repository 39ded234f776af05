"""What `--plot` shows of forecasts, windows and resin cards, as `dashboards.panel_picture` takes it."""

from collections.abc import Sequence
from datetime import timedelta
from typing import Any

import numpy as np

from collector.clock import from_us
from collector.units import shown_temperature
from dashboards.view import NAMES, Reader
from forecast.card import Card
from forecast.paths import Forecast
from forecast.resin import gel_surface
from forecast.window_answer import JobWindows

Panels = dict[str, list[dict[str, Any]]]

_HOURS = 48
_US_PER_H = 3.6e9


def ahead_panels(found: Forecast, bays: Sequence[str], reader: Reader) -> Panels:
    """Return the next 48 hours: temperatures and humidity of each bay, 8 times in 10 inside the band."""
    count = min(len(found.times_us), _HOURS * 6)
    hours = ((found.times_us[:count] - found.times_us[0]) / _US_PER_H).tolist()
    ticks = _ticks(int(found.times_us[0]), hours[-1], reader, every_h=6)
    panels = []
    for bay in bays:
        for quantities, title in ((("part_c", "air_c"), "temperature"), (("humidity_pct",), "humidity, %")):
            lines = [
                _line(found, bay, name, count, hours, reader)
                for name in quantities
                if (bay, name) in found.paths
            ]
            unit = f", °{'F' if reader.units == 'us' else 'C'}" if title == "temperature" else ""
            if lines:
                panels.append(
                    {"title": f"{bay}: {title}{unit}", "across": "", "ticks": ticks, "lines": lines}
                )
    return {"panels": panels}


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
        lines.append(
            {
                "name": f"{pct:g} % {card.hardener.kind}",
                "x": [shown_temperature(temp_c, fahrenheit=reader.units == "us") for temp_c in grid],
                "low": [one.low_min for one in told],
                "likely": [one.likely_min for one in told],
                "high": [one.high_min for one in told],
            }
        )
    title = f"{card.name}: minutes to gel" + (" (generic, of no maker)" if card.generic else "")
    across = f"°{'F' if reader.units == 'us' else 'C'}"
    return {"panels": [{"title": title, "across": across, "ticks": [], "lines": lines}]}


def windows_panels(found: Sequence[JobWindows], reader: Reader) -> Panels:
    """Return the odds of starting each job at each time ahead: by bay and job [%]."""
    panels: list[dict[str, Any]] = []
    for bay in dict.fromkeys(one.bay for one in found):
        lines = []
        ticks: list[list[object]] = []
        for one in found:
            if one.bay == bay and one.starts is not None and len(one.starts):
                times_us = one.starts.times_us
                hours = ((times_us - times_us[0]) / _US_PER_H).tolist()
                ticks = _ticks(int(times_us[0]), hours[-1], reader, every_h=12)
                lines.append({"name": one.job, "x": hours, "likely": (100.0 * one.starts.odds).tolist()})
        if lines:
            title = f"{bay}: odds that the job holds, by its start, %"
            panels.append({"title": title, "across": "", "ticks": ticks, "lines": lines})
    return {"panels": panels}


def _ticks(first_us: int, span_h: float, reader: Reader, every_h: int) -> list[list[object]]:
    """Return round local hours within a span, as (hours after its start, words)."""
    first = from_us(first_us)
    whole = first.replace(minute=0, second=0, microsecond=0)
    ticks: list[list[object]] = []
    for after in range(1, int(span_h) + 2):
        at = whole + timedelta(hours=after)
        local = at.astimezone(reader.zone)
        into_h = (at - first) / timedelta(hours=1)
        if local.hour % every_h == 0 and into_h <= span_h:
            ticks.append([into_h, f"{local:%a %H:%M}"])
    return ticks
