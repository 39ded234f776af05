"""The hours ahead of a shed whose heater has stopped: if nobody lights it, and if somebody does.

What a shed usually does in the hours to come says nothing of a night without its flame. The grey box, which
has learned the shed's heat, is stepped without the heater from now on, and with it from some moments on.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from collector.clock import to_us
from forecast.climate import scaled
from forecast.climate_past import Array
from forecast.climate_run import Course, Shed, Weather
from forecast.heater_plan import courses_under, look_ahead
from forecast.heater_shed import ReadyShed
from forecast.paths import PATHS, Forecast, Unit, possible

AHEAD_STEP_S = 600
AHEAD_STEPS = 72 * 6
STOPPED = "the heater has stopped: the hours ahead are those without it, until it burns again"
_SOONEST = timedelta(minutes=15)
# Hours ahead, and how often within them somebody may light it: whole halves, hours and pairs of the clock.
_RELIT_EVERY = ((3.0, timedelta(minutes=30)), (8.0, timedelta(hours=1)), (14.0, timedelta(hours=2)))
_RELIT_STEPS = 36 * 6
_RELIT_PATHS = PATHS // 2
_US_PER_S = 1e6
_LONGEST_S = 60.0  # how the burner switches within the minute changes no cure
_OPEN = {"out_w_k": 0.35, "mass_j_k": 1.2, "mass_air_w_k": 0.7, "part_air_w_k": 0.2}
_OPEN_WATER = {"leak_m3_s": 0.5, "leak_wind_m2": 0.5, "floor_m3_s": 0.7, "skin_m3_s": 0.5, "skin_share": 0.2}
"""How far a week with its heater leaves a shed's constants open, as logarithms: set on simulated tents."""


@dataclass(frozen=True, slots=True, eq=False)
class Unheated:
    """What may come of a shed whose heater has stopped.

    `left_off` is what comes if nobody lights it, `relit` what comes if it burns again as it is set, from each
    moment on; that is empty where nobody knows what it is set to.
    """

    left_off: Forecast
    relit: tuple[tuple[datetime, Forecast], ...] = ()


def unheated(
    ready: ReadyShed, usual: Forecast, weather: Weather, setpoint_c: Array, at: datetime, seed: int = 0
) -> Unheated:
    """Return the hours ahead without the heater, and with it lit again.

    Parameters
    ----------
    ready : ReadyShed
        Its past ends at `at`.
    usual : Forecast
        Of the same shed; it stays what it is for bays whose heat was not learned.
    weather : Weather
        On steps of `AHEAD_STEP_S` from `at` on, (1 or `PATHS`, steps).
    setpoint_c : array
        What the heater is set to, on the same steps, (steps,); NaN where nobody knows.
    at : datetime
        The moment, aware.
    seed : int, optional
    """
    shed, off_c = ready.shed, np.full(weather.air_c.shape[-1], np.nan)
    ahead = look_ahead(shed, ready.past, weather, PATHS, seed)
    (off,) = courses_under(_loosened(shed, PATHS, seed), ahead, [off_c], _LONGEST_S)
    left_off = _with_course(ready, usual, off, at)
    if not np.isfinite(setpoint_c).all():
        return Unheated(left_off)
    marks = _marks(at)
    soon = weather.first(_RELIT_STEPS, _RELIT_PATHS)
    ahead = look_ahead(shed, ready.past, soon, _RELIT_PATHS, seed)
    settings = [_lit_from((mark - at).total_seconds(), setpoint_c[:_RELIT_STEPS]) for mark in marks]
    lit = courses_under(shed, ahead, settings, _LONGEST_S)
    relit = tuple(
        (mark, _with_course(ready, usual, course, at)) for mark, course in zip(marks, lit, strict=True)
    )
    return Unheated(left_off, relit)


def _marks(at: datetime) -> tuple[datetime, ...]:
    """Return when it may be lit again: whole hours, so that the answer stays the same as minutes pass."""
    found: list[datetime] = []
    for until_h, every in _RELIT_EVERY:
        mark = at - (at - datetime.min.replace(tzinfo=at.tzinfo)) % every + every
        while mark <= at + timedelta(hours=until_h):
            if mark >= at + _SOONEST and (not found or mark > found[-1]):
                found.append(mark)
            mark += every
    return tuple(found)


def _loosened(shed: Shed, paths: int, seed: int) -> Shed:
    """Return a shed whose constants differ from path to path by what a heated week leaves open."""
    random = np.random.default_rng([seed, 11])

    def drawn(spreads: Mapping[str, float]) -> dict[str, Array]:
        return {name: np.exp(spread * random.standard_normal(paths)) for name, spread in spreads.items()}

    water = shed.water.model
    soaked = {name: getattr(water, name) * factor for name, factor in drawn(_OPEN_WATER).items()}
    return replace(
        shed,
        heat=replace(shed.heat, model=scaled(shed.heat.model, **drawn(_OPEN))),
        water=replace(shed.water, model=replace(water, **soaked)),
    )


def _lit_from(after_s: float, setpoint_c: Array) -> Array:
    """Return the settings of a heater that is off for some seconds, and then burns as it is set."""
    return np.where(np.arange(len(setpoint_c)) * AHEAD_STEP_S < after_s, np.nan, setpoint_c)


def _with_course(ready: ReadyShed, usual: Forecast, course: Course, at: datetime) -> Forecast:
    """Return a forecast with a course of the grey box, from `at` on, in place of the usual hours.

    It is on the usual one's times as far as the course goes. Paths of bays that the grey box does not know
    stay what they are.
    """
    past, heat = ready.past, ready.shed.heat
    ends_s = course.step_s * np.arange(1, course.air_c.shape[-1] + 1)
    at_s = (usual.times_us - to_us(at)) / _US_PER_S
    within = at_s <= ends_s[-1]
    seen = np.concatenate([past.air_c.ravel(), past.part_c.ravel(), past.out_c])
    rows = {"air_c": course.air_c, "part_c": course.part_c, "humidity_pct": course.humidity_pct}
    paths: dict[Unit, Array] = {}
    for (bay, quantity), values in usual.paths.items():
        place = past.bays.index(bay) if bay in past.bays else -1
        if quantity not in rows or place < 0 or not np.isfinite(heat.error_k[heat.order.index(place)]):
            paths[bay, quantity] = values[: course.air_c.shape[1], within]
            continue
        whole = _at_times(rows[quantity][place], ends_s, at_s[within])
        paths[bay, quantity] = possible(quantity, whole, seen)
    return Forecast(at, usual.times_us[within], paths, (STOPPED, *usual.notes))


def _at_times(rows: Array, ends_s: Array, at_s: Array) -> Array:
    """Return rows (paths, steps) that hold at the ends of steps at other times, on straight lines between."""
    right = np.clip(np.searchsorted(ends_s, at_s), 1, len(ends_s) - 1)
    part = np.clip((at_s - ends_s[right - 1]) / (ends_s[right] - ends_s[right - 1]), -1.0, 1.0)
    found: Array = rows[:, right - 1] + (rows[:, right] - rows[:, right - 1]) * part
    return found
