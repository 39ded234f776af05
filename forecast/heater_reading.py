"""From a store and the `[heater]` table: readings on the grid, the programme and the weather ahead."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo

import numpy as np

from collector.clock import from_us, to_us
from collector.domain import Flag
from collector.errors import InputError
from collector.heater_config import HeaterConfig
from collector.store.base import Store
from forecast.climate_fit import outside_filled
from forecast.climate_past import STEP_S, Array, ClimatePast, Series, Times, past_on_grid
from forecast.climate_run import Weather
from forecast.climate_water import outside_pct_filled
from forecast.fuel import HoursAhead
from forecast.heater import heater_outlook
from forecast.heater_near import near_of
from forecast.heater_plan import AHEAD_H
from forecast.heater_shed import (
    LEARN_H,
    Coming,
    HeaterSettings,
    Part,
    PotPlan,
    ReadyShed,
    is_steered,
    ready_shed,
)
from forecast.heater_state import HeaterOutlook
from forecast.moisture import absolute_humidity_g_m3
from forecast.near_course import NEAR_LEARN_DAYS, NEAR_STEP_S
from forecast.outside_ahead import outside_ahead
from forecast.past import STEP_US, History

_BAY_QUANTITIES = ("air_c", "humidity_pct", "part_c")
_HEATER_QUANTITIES = ("on", "on_pct", "setpoint_c", "pipe_c", "gas_kg")
_OUTDOOR_QUANTITIES = ("air_c", "humidity_pct", "sun_w_m2", "wind_m_s")
_NOT_BAYS = ("outdoor", "heater", "vent", "lamp")
_FUEL_H = 72
_HALF_HOUR_S = 1800


@dataclass(frozen=True, slots=True)
class HeaterPast:
    """What the store tells of a shed with a heater: the past on the grid, and the readings it is made of.

    `near` is a longer past on longer steps, to learn a heater from that gives more or less; None for others.
    """

    past: ClimatePast
    series: Series
    near: ClimatePast | None = None


def settings_of(config: HeaterConfig) -> HeaterSettings:
    """Return the configuration's `[heater]` as the sums want it."""
    return HeaterSettings(
        config.bay, config.fuel, config.unvented, config.power_w, config.tank_kg,
        None if config.changed_at is None else to_us(config.changed_at),
    )  # fmt: skip


def read_heater_past(store: Store, at: datetime, bays: Sequence[str] | None = None) -> HeaterPast:
    """Return the last week's sound readings of all bays, the outdoors and the heater, up to `at`.

    Raises
    ------
    InputError
        If no bay's air was heard in that time.
    StoreError
        If the store cannot be read.
    """
    since = at - timedelta(hours=LEARN_H)
    heard = {name for name, span in store.sensors().items() if span.last_at >= since and span.first_at <= at}
    found = bays or sorted({
        name.rpartition(".")[0] for name in heard
        if name.endswith(".air_c") and name.rpartition(".")[0] not in _NOT_BAYS
    })  # fmt: skip
    names = [f"{bay}.{quantity}" for bay in found for quantity in _BAY_QUANTITIES]
    names += [f"outdoor.{quantity}" for quantity in _OUTDOOR_QUANTITIES]
    names += [f"heater.{quantity}" for quantity in _HEATER_QUANTITIES]
    names = [name for name in names if name in heard]
    series = _sound(store, names, since, at)
    if not any(name.endswith(".air_c") and not name.startswith("outdoor.") for name in series):
        raise InputError(f"no bay's air was heard in the week before {at.isoformat()}")
    first_us = min(int(times[0]) for times, _ in series.values())
    last_us = to_us(at)
    first_us = min(first_us, last_us - STEP_S * 1_000_000)
    past = past_on_grid(series, tuple(found), first_us, last_us)
    if not is_steered(past):
        return HeaterPast(past, series)
    longer = _sound(store, names, at - timedelta(days=NEAR_LEARN_DAYS), at)
    first_us = min(first_us, *(int(times[0]) for times, _ in longer.values()))
    first_us = min(first_us, last_us - NEAR_STEP_S * 1_000_000)
    return HeaterPast(past, series, past_on_grid(longer, tuple(found), first_us, last_us, NEAR_STEP_S))


def _sound(store: Store, names: Sequence[str], since: datetime, at: datetime) -> Series:
    """Return the readings up to `at` that no flag speaks against, of those sensors that have any."""
    series = {}
    for name in names:
        samples = store.window(name, since, at + timedelta(microseconds=1))
        sound = (samples.flags == Flag.NONE) & np.isfinite(samples.values)
        if sound.any():
            series[name] = samples.times_us[sound], samples.values[sound]
    return series


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of the heater: the bay where one works, the resin to mix, what the part needs."""

    bay: str | None = None
    pot: PotPlan | None = None
    part: Part | None = None


def heater_of_store(
    store: Store, config: HeaterConfig, zone: tzinfo, at: datetime, asked: Asked, known: History | None = None
) -> HeaterOutlook:
    """Return all that can be said of the heater at `at` from a store: some seconds, most of them to learn.

    Parameters
    ----------
    store : Store
        Calibrated (`collector.calibration.corrected`).
    config : HeaterConfig
    zone : tzinfo
        Of the shed's clock: a programme goes by local hours.
    at : datetime
        The moment, aware; later readings are not looked at.
    asked : Asked
    known : History, optional
        With the outdoor forecast in `ahead`.

    Raises
    ------
    InputError
        If no bay's air was heard in the week before, or the bay asked for was not.
    StoreError
        If the store cannot be read.
    """
    heard = read_heater_past(store, at)
    if asked.bay is not None and asked.bay not in heard.past.bays:
        raise InputError(f"no bay is called {asked.bay!r}; there are {', '.join(heard.past.bays)}")
    settings = settings_of(config)
    later = coming(heard, config, zone, known)
    ready = with_near(ready_shed(heard.past, settings), heard, later, asked.bay)
    return heater_outlook(
        ready, settings, later, at,
        bay=asked.bay, pot=asked.pot, part=asked.part, gas=heard.series.get("heater.gas_kg"),
    )  # fmt: skip


def with_near(ready: ReadyShed, heard: HeaterPast, later: Coming, bay: str | None) -> ReadyShed:
    """Return a shed that has learned its next two hours too, where its heater gives more or less.

    `bay` is the one asked about; None for that of the thermostat.
    """
    if heard.near is None:
        return ready
    name = ready.past.bays[ready.shed.thermostat.place] if bay is None else bay
    return replace(ready, near=near_of(heard.near, name, later))


def coming(heard: HeaterPast, config: HeaterConfig, zone: tzinfo, known: History | None = None) -> Coming:
    """Return what is known ahead: the programme, and the weather, forecast or as the last days had it.

    Parameters
    ----------
    heard : HeaterPast
    config : HeaterConfig
        Its programme, if nothing reports the setting.
    zone : tzinfo
        Of the shed's clock: a programme goes by local hours.
    known : History, optional
        With the outdoor forecast in `ahead`.
    """
    past = heard.past
    steps = round(_FUEL_H * 3600 / past.step_s)
    setpoint_c = programme_ahead(past, config.setpoint_c, zone, steps)
    near = round(AHEAD_H * 3600 / past.step_s)
    forecast = None if known is None else forecast_weather(known, past, steps)
    # Three days ahead on the last days' own courses: half hours are fine enough for fuel.
    first_us, last_us = int(past.times_us[0]), int(past.times_us[-1])
    coarse = past_on_grid(
        heard.series, past.bays, min(first_us, last_us - 2 * _HALF_HOUR_S * 1_000_000), last_us, _HALF_HOUR_S
    )
    sky = outside_ahead(coarse, 2 * _FUEL_H, 12) if forecast is None else forecast
    out_c, sun_w_m2, wind_m_s = (
        np.median(rows, axis=0).reshape(_FUEL_H, -1).mean(axis=1)
        for rows in (sky.air_c, sky.sun_w_m2, sky.wind_m_s)
    )
    hours = HoursAhead(out_c, sun_w_m2, wind_m_s, setpoint_c.reshape(_FUEL_H, -1).mean(axis=1))
    return Coming(setpoint_c[:near], None if forecast is None else forecast.first(near), hours)


def programme_ahead(past: ClimatePast, told_c: Sequence[float], zone: tzinfo, steps: int) -> Array:
    """Return the thermostat's setting over the next steps, NaN where nobody knows, (steps,).

    The setting of now holds until the programme next changes. The programme is the one told (24 local hours)
    or, where the setting is measured, what was set most at that half hour in the last days.

    Parameters
    ----------
    past : ClimatePast
    told_c : sequence of float
        24 settings by local hour, or none.
    zone : tzinfo
    steps : int
    """
    step_us = past.step_s * 1_000_000
    slots = _slots(int(past.times_us[-1]), steps, step_us, zone)
    heard = np.flatnonzero(np.isfinite(past.setpoint_c))
    if len(told_c):
        by_slot = np.repeat(np.asarray(told_c, dtype=np.float64), 2)
    elif len(heard):
        by_slot = _learned(past, zone)
    else:
        return np.full(steps, np.nan)
    ahead = by_slot[slots]
    if len(heard):
        changes = np.flatnonzero(
            np.diff(ahead, prepend=by_slot[_slots(int(past.times_us[-1]) - step_us, 1, step_us, zone)[0]])
        )
        until = int(changes[0]) if len(changes) else steps
        ahead = ahead.copy()
        ahead[:until] = past.setpoint_c[heard[-1]]
    return ahead


def _slots(after_us: int, steps: int, step_us: int, zone: tzinfo) -> Times:
    """Return the half hour of the local day of each step after a moment; an offset holds for an hour."""
    every = max(1, 3_600_000_000 // step_us)
    found = []
    for first in range(0, steps, every):
        at = from_us(after_us + (first + 1) * step_us)
        offset = at.astimezone(zone).utcoffset() or timedelta(0)
        local_us = (
            after_us
            + step_us * np.arange(first + 1, min(first + every, steps) + 1)
            + offset // timedelta(microseconds=1)
        )
        found.append(local_us // STEP_US % 48)
    joined: Times = np.concatenate(found)
    return joined


def _learned(past: ClimatePast, zone: tzinfo) -> Array:
    """Return the setting most often met at each half hour of the local day."""
    slots = _slots(int(past.times_us[0]) - past.step_s * 1_000_000, len(past), past.step_s * 1_000_000, zone)
    heard = np.isfinite(past.setpoint_c)
    last = past.setpoint_c[heard][-1]
    found = np.full(48, np.nan)
    for slot in range(48):
        values = past.setpoint_c[heard & (slots == slot)]
        if len(values):
            found[slot] = np.median(values)
    return np.where(np.isfinite(found), found, last)


def forecast_weather(known: History, past: ClimatePast, steps: int) -> Weather | None:
    """Return the outdoor forecast on the past's step; None without one that reaches four hours.

    Parameters
    ----------
    known : History
        With the outdoor forecast in `ahead`.
    past : ClimatePast
    steps : int
    """
    times_us = past.times_us[-1] + past.step_s * 1_000_000 * np.arange(1, steps + 1, dtype=np.int64)
    grid_us = int(known.times_us[0])
    rows = []
    last = [values[-1] for values in outside_filled(past)]
    for name, now in zip(("air_c", "sun_w_m2", "wind_m_s"), last, strict=True):
        found = _interpolated(known.ahead.get(f"outdoor.{name}"), grid_us, times_us, float(now))
        if found is None:
            if name == "air_c":
                return None
            found = np.full(steps, now)
        rows.append(found[None])
    humid = _interpolated(
        known.ahead.get("outdoor.humidity_pct"), grid_us, times_us, float(outside_pct_filled(past)[-1])
    )
    pct = np.full(steps, 80.0) if humid is None else np.clip(humid, 0.1, 100.0)
    vapour = absolute_humidity_g_m3(np.clip(rows[0][0], -60.0, 90.0), pct)[None]
    return Weather(float(past.step_s), rows[0], np.maximum(rows[1], 0.0), np.maximum(rows[2], 0.0), vapour)


def _interpolated(values: Array | None, grid_us: int, times_us: Times, now: float) -> Array | None:
    """Return a half-hourly column at other times, from `now` on; None where it ends within four hours."""
    if values is None:
        return None
    at_us = grid_us + STEP_US * np.arange(len(values), dtype=np.int64)
    ahead = np.isfinite(values) & (at_us > times_us[0])
    if not ahead.any() or at_us[ahead][-1] < times_us[0] + AHEAD_H * 3.6e9:
        return None
    zero = int(times_us[0])
    places = np.concatenate([[0.0], (at_us[ahead] - zero).astype(np.float64)])
    found: Array = np.interp(
        (times_us - zero).astype(np.float64), places, np.concatenate([[now], values[ahead]])
    )
    return found
