"""What is said of a heater that gives more or less, by what its bay has taught: it is not stepped."""

from dataclasses import replace

import numpy as np

from forecast.climate_past import Array, ClimatePast
from forecast.climate_run import Weather
from forecast.heater_advice import advised, limit_c, overshoot, planned_pace
from forecast.heater_plan import PATHS, Bench, Scenario, choice_of
from forecast.heater_shed import Coming, Part, PotPlan, ReadyShed
from forecast.heater_state import HeaterOutlook
from forecast.near_course import NEAR_STEP_S, NEAR_STEPS, Near, NearAhead, learn_near, near_paths

LEARNED = (
    "the pipe gives more or less heat: where the air peaks is learned from its last days,"
    " and no other setting is tried"
)
DEAF = "no fresh reading of the heater's pipe: where the air peaks cannot be told"
YOUNG = "the pipe gives more or less heat: where the air peaks can be told after a week of readings"
_PATHS = 5 * PATHS


def near_of(near_past: ClimatePast, bay: str, coming: Coming) -> Near | None:
    """Learn the next two hours of a bay; None where it has been heard too little."""
    place = near_past.bays.index(bay)
    return learn_near(near_past, place, knows_weather=coming.weather is not None)


def learned_outlook(  # noqa: PLR0913, PLR0917  as `heater_outlook`
    told: HeaterOutlook,
    ready: ReadyShed,
    near: Near,
    coming: Coming,
    pot: PotPlan | None,
    part: Part,
    seed: int,
) -> HeaterOutlook:
    """Add to what was told the peak, and what it costs the pot planned, as courses learned have it.

    Parameters
    ----------
    told : HeaterOutlook
        What is known without looking ahead.
    ready : ReadyShed
    near : Near
        Of the bay that is asked about, up to the same moment as `ready`.
    coming : Coming
    pot : PotPlan or None
    part : Part
    seed : int
    """
    past, place = ready.past, near.place
    air_c = near_paths(near, _near_ahead(coming, past.step_s), _PATHS, seed)
    bound_c = limit_c(coming.setpoint_c, ready.shed.thermostat.band_k, part)
    over = overshoot(air_c, NEAR_STEP_S, told.bay, told.at, bound_c, None)
    pace = planned_pace(pot, coming.setpoint_c, past.air_c[place])
    found = []
    if pace is not None:
        part_c = _part_c(ready, place, air_c)
        bench = Bench(place, pace, part.target_c)
        found = [choice_of(Scenario(), air_c, part_c, NEAR_STEP_S, bench)]
    advice, work = advised(told.sign, found, pace, told.at, NEAR_STEP_S)
    return replace(told, overshoot=over, advice=advice, work=work)


def _part_c(ready: ReadyShed, place: int, air_c: Array) -> Array | None:
    """Return the part on courses of the air, following as fast as it has so far; None without a probe."""
    measured = ready.past.part_c[place]
    heard = measured[np.isfinite(measured)]
    if not len(heard):
        return None
    heat = ready.shed.heat
    row = heat.order.index(place)
    rate_per_s = float(np.ravel(heat.model.part_air_w_k)[row] / np.ravel(heat.model.part_j_k)[row])
    follows = 1.0 - np.exp(-NEAR_STEP_S * rate_per_s)
    found, part_c = np.empty_like(air_c), np.full(len(air_c), heard[-1])
    for step in range(air_c.shape[1]):
        part_c = part_c + follows * (air_c[:, step] - part_c)
        found[:, step] = part_c
    return found


def _near_ahead(coming: Coming, step_s: float) -> NearAhead:
    """Return what is known of the next two hours at the ends of their steps."""
    every = round(NEAR_STEP_S / step_s)
    ends = slice(every - 1, every * NEAR_STEPS, every)
    return NearAhead(
        coming.setpoint_c[ends], None if coming.weather is None else _likely(coming.weather, ends)
    )


def _likely(weather: Weather, ends: slice) -> tuple[Array, Array, Array]:
    air_c, sun_w_m2, wind_m_s = (
        np.median(rows[:, ends], axis=0) for rows in (weather.air_c, weather.sun_w_m2, weather.wind_m_s)
    )
    return air_c, sun_w_m2, wind_m_s
