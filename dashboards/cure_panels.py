"""One cure as a picture: its warmth as measured and ahead, with limits, and its stages, had and to come."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import nan
from typing import Any

from collector.clock import to_us
from collector.units import shown_temperature
from dashboards.panels import Panels, hour_ticks
from dashboards.record.measured import Course, pieces
from dashboards.view import NAMES, Reader
from forecast.card import Application
from forecast.cure_outlook import Arrival, CureOutlook
from forecast.cure_state import StageState
from forecast.outlook import Band

_HOUR = timedelta(hours=1)
_EVERY_H = (1, 2, 3, 6, 12, 24, 48)
_MOST_TICKS = 9
_ROOM = 1.12  # of the hours shown, so that words behind the last bar have a place


@dataclass(frozen=True, slots=True)
class CurePicture:
    """What is drawn of one cure: `courses` count hours from laying; `ahead` is the part's band, if any."""

    cure: CureOutlook
    courses: Sequence[Course]
    limits: Application
    ahead: Band | None
    at: datetime


def cure_panels(found: CurePicture, reader: Reader) -> Panels:
    """Return temperature over the hours since laying, and under it each stage with its 10 to 90 % bar."""
    cure = found.cure
    now_h = (found.at - cure.laid_at) / _HOUR
    stages = [] if cure.state is None else list(cure.state.stages)
    rows = [_row(stage, cure, reader, found.at) for stage in stages]
    ends = [row[key] for row in rows for key in ("x", "low", "high") if row[key] is not None]
    wanted = [] if cure.ready is None else [(cure.ready.wanted.at - cure.laid_at) / _HOUR]
    end_h = max([now_h, 1.0, *ends, *wanted])
    for row in rows:
        if row["open"]:
            row["high"] = end_h
    every_h = next((h for h in _EVERY_H if end_h / h <= _MOST_TICKS), _EVERY_H[-1])
    ticks = hour_ticks(to_us(cure.laid_at), end_h, reader, every_h=every_h)
    across: dict[str, Any] = {"ticks": ticks, "reach": [0.0, _ROOM * end_h]}
    moments: list[list[object]] = [[now_h, f"now, {reader.clock(found.at, found.at)}"]]
    if cure.ready is not None:
        words = f"{cure.ready.wanted.stage.value} wanted by {reader.clock(cure.ready.wanted.at, found.at)}"
        moments.append([wanted[0], words])
    unit = "F" if reader.units == "us" else "C"
    warmth = {
        "title": f"{cure.key}, {cure.part} in {cure.bay}: °{unit}",
        "lines": [*_measured(found, reader), *_ahead(found, reader, end_h)],
        "limits": list(_limits(found.limits, reader)),
        "moments": [[x, ""] for x, _ in moments],
        "least": 5.0,
        **across,
    }
    progress = {
        "title": f"stages of {cure.card_name}, {cure.catalyst_pct:g} %",
        "rows": rows,
        "moments": moments,
        **across,
    }
    return {"panels": [warmth, progress] if rows else [warmth]}


def _shown(temp_c: float, reader: Reader) -> float:
    return shown_temperature(temp_c, fahrenheit=reader.units == "us")


def _measured(found: CurePicture, reader: Reader) -> Iterator[dict[str, object]]:
    for course in found.courses:
        if course.quantity not in {"part_c", "air_c"}:
            continue
        x: list[float] = []
        likely: list[float] = []
        for piece in pieces(course):
            x += [*(hour for hour, _ in piece), piece[-1][0]]
            likely += [*(_shown(value, reader) for _, value in piece), nan]  # a hole is left open
        yield {
            "name": NAMES[course.quantity],
            "x": x,
            "likely": likely,
            "shade": 0 if course.quantity == "part_c" else 1,
            "style": "-" if course.quantity == "part_c" else ":",
        }


def _ahead(found: CurePicture, reader: Reader, end_h: float) -> Iterator[dict[str, object]]:
    band = found.ahead
    if band is None:
        return
    hours = [
        (band.start_at + timedelta(seconds=band.step_s) * i - found.cure.laid_at) / _HOUR
        for i in range(len(band.likely))
    ]
    kept = [i for i, hour in enumerate(hours) if hour <= end_h]
    if kept:
        low, likely, high = (
            [_shown(values[i], reader) for i in kept] for values in (band.low, band.likely, band.high)
        )
        x = [hours[i] for i in kept]
        yield {
            "name": "part ahead, 8 times in 10",
            "x": x,
            "low": low,
            "likely": likely,
            "high": high,
            "shade": 0,
            "style": "--",
        }


def _limits(limits: Application, reader: Reader) -> Iterator[list[object]]:
    for temp_c, name in ((limits.temp_min_c, "lowest"), (limits.temp_max_c, "highest")):
        if temp_c is not None:
            yield [_shown(temp_c, reader), f"{name} by its card, {reader.temperature(temp_c)}"]


def _row(stage: StageState, cure: CureOutlook, reader: Reader, at: datetime) -> dict[str, Any]:
    """Return a stage as a row, in hours since laying; what lies beyond the forecast is left open."""
    reached = stage.reached_at
    ahead = next((one.when for one in cure.ahead if one.stage is stage.stage), None)
    when = Arrival(stage.when.earliest_at, stage.when.likely_at, stage.when.latest_at)
    if reached is not None:
        when = Arrival(when.earliest_at, reached, when.latest_at)
    elif ahead is not None:
        when = ahead
    words = "" if when.likely_at is None else reader.clock(when.likely_at, at)
    if reached is None:
        words = f"about {words}" if words else "not in the hours ahead"

    def hour(moment: datetime | None) -> float | None:
        return None if moment is None else (moment - cure.laid_at) / _HOUR

    low = hour(when.earliest_at)
    return {
        "name": stage.stage.value,
        "x": hour(when.likely_at),
        "low": low,
        "high": hour(when.latest_at),
        "reached": reached is not None,
        "open": reached is None and low is not None and when.latest_at is None,
        "words": words,
    }
