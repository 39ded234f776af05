"""Fuel left, and the hour it runs out: what the heater burns by weather and setting, as it has so far."""

from dataclasses import dataclass

import numpy as np

from forecast.climate_fit import outside_filled, whole
from forecast.climate_past import Array, ClimatePast, Times

PROPANE_J_KG, DIESEL_J_KG = 46.35e6, 42.8e6
"""Lower heating values (from memory)."""
_US = 1_000_000
_LEAST_H = 24
_LEARN_H = 24 * 10
_SUN_H = 6
_SPREAD, _SPREAD_BLIND = 0.10, 0.25  # measured on the simulated tent: tests/bench/overshoot.py
_NEXT_TO_NOTHING_KG_H = 0.002
_MILD_SHARE = 0.08
"""By how much an hour's need strays within it, so that one which needs nothing on the mean still burns a
little: chosen on two lives of the simulated tent (seeds 31, 32) in three months each."""
_Z_80 = 1.2815515655446004


@dataclass(frozen=True, slots=True)
class HoursAhead:
    """The next hours, one value each: outdoor air, sunshine, wind, and the thermostat's setting."""

    out_c: Array
    sun_w_m2: Array
    wind_m_s: Array
    setpoint_c: Array


@dataclass(frozen=True, slots=True)
class RunOut:
    """What is burned now, and in how many hours nothing is left: likely and 10 to 90 %, infinite if never."""

    left_kg: float
    burn_kg_h: float
    likely_h: float
    from_h: float
    to_h: float


def full_burn_kg_h(power_w: float, heat_j_kg: float) -> float:
    """Return what a heater burns at full power [kg/h].

    >>> round(full_burn_kg_h(9000.0, PROPANE_J_KG), 2)
    0.7
    """
    return power_w * 3600.0 / heat_j_kg


def run_out(
    past: ClimatePast, ahead: HoursAhead, left_kg: float, full_kg_h: float, *, forecast: bool
) -> RunOut | None:
    """Return when the fuel runs out; None where nothing says how much the heater burns.

    An hour's burning is taken as so much for each kelvin between setting and outdoors, more in wind, less in
    sunshine and after it, more after the setting was raised: five constants, none negative, learned from
    the last ten days. With less than a day it is the mean of what was heard.

    Parameters
    ----------
    past : ClimatePast
        With `burn_share`.
    ahead : HoursAhead
    left_kg : float
        Fuel left [kg], 0 or more.
    full_kg_h : float
        Burned at full power [kg/h], above 0.
    forecast : bool
        Whether the weather ahead is forecast; if not, the range is two and a half times as wide.

    Raises
    ------
    ValueError
        If `left_kg` is negative or `full_kg_h` not above 0.
    """
    if not left_kg >= 0.0 or not full_kg_h > 0.0:
        raise ValueError(f"left_kg must be 0 or more and full_kg_h above 0, not {left_kg} and {full_kg_h}")
    share = burn_ahead(past, ahead)
    if share is None:
        return None
    burned_kg = np.cumsum(share) * full_kg_h
    rough = (_SPREAD if forecast else _SPREAD_BLIND) * _Z_80
    likely, early, late = (_hours_until(burned_kg, left_kg * by) for by in (1.0, 1.0 - rough, 1.0 + rough))
    recent = past.burn_share[-round(6 * 3600 / past.step_s) :]
    recent = recent[np.isfinite(recent)]
    now_kg_h = full_kg_h * float(np.mean(recent)) if len(recent) else float(share[0]) * full_kg_h
    return RunOut(left_kg, now_kg_h, likely, early, late)


def burn_ahead(past: ClimatePast, ahead: HoursAhead) -> Array | None:
    """Return the share of full power burned in each hour ahead; None where it was never heard."""
    hour = round(3600 / past.step_s)
    count = min(len(past) // hour, _LEARN_H)
    heard = past.burn_share[np.isfinite(past.burn_share)]
    if not len(heard):
        return None
    mean = np.full(len(ahead.out_c), float(np.mean(heard)))
    if count < _LEAST_H:
        return mean
    out_c, sun, wind = outside_filled(past)
    setpoint = whole(past.setpoint_c, float(np.nanmean(past.air_c)))
    burn = past.burn_share[-count * hour :].reshape(count, hour)
    known = np.isfinite(burn).mean(axis=1) > 0.5  # noqa: PLR2004  most of an hour
    burned = np.where(np.isfinite(burn), burn, 0.0).sum(axis=1) / np.maximum(np.isfinite(burn).sum(axis=1), 1)
    then = [
        values[-count * hour :].reshape(count, hour).mean(axis=1) for values in (out_c, sun, wind, setpoint)
    ]
    both = [np.concatenate(pair) for pair in zip(then, _arrays(ahead), strict=True)]
    inputs = _inputs(*both)
    weights = _learned(inputs[:count][known], burned[known])
    if weights is None:
        return mean
    return _burned(inputs[count:] @ weights)


def _arrays(ahead: HoursAhead) -> tuple[Array, Array, Array, Array]:
    return ahead.out_c, ahead.sun_w_m2, ahead.wind_m_s, ahead.setpoint_c


def _inputs(out_c: Array, sun_w_m2: Array, wind_m_s: Array, setpoint_c: Array) -> Array:
    lift_k = setpoint_c - out_c
    first = sun_w_m2[:1]
    earlier = np.stack([
        np.concatenate([first.repeat(n), sun_w_m2[: len(sun_w_m2) - n]]) for n in range(1, _SUN_H + 1)
    ])  # fmt: skip
    raised_k = setpoint_c - np.concatenate([setpoint_c[:1].repeat(2), setpoint_c[:-2]])
    return np.stack([
        lift_k, lift_k * wind_m_s / 5.0, -sun_w_m2 / 50.0, -earlier.mean(axis=0) / 50.0, raised_k,
    ], axis=1)  # fmt: skip


def _burned(need: Array) -> Array:
    """Return the share of full power that hours burn by their need: never below nothing, near it smoothly."""
    found: Array = np.minimum(_MILD_SHARE * np.logaddexp(0.0, need / _MILD_SHARE), 1.0)
    return found


def _learned(inputs: Array, burned: Array) -> Array | None:
    """Fit an hour's burning with constants that cannot fall below nothing."""
    from scipy.optimize import least_squares

    if np.ptp(burned) == 0.0:
        return None

    def misses(weights: Array) -> Array:
        found: Array = _burned(inputs @ weights) - burned
        return found

    start = np.full(inputs.shape[1], max(float(burned.mean()), 1e-3) / 20.0)
    fitted: Array = least_squares(
        misses, start, bounds=(0.0, 1.0), loss="soft_l1", f_scale=0.1, max_nfev=50
    ).x
    return fitted


def burned_kg(past: ClimatePast, since_us: int, full_kg_h: float) -> float:
    """Return what was burned since a moment [kg]; unheard hours burned as the mean of the heard."""
    burn = past.burn_share[past.times_us > since_us]
    heard = burn[np.isfinite(burn)]
    mean = float(np.mean(heard)) if len(heard) else 0.0
    before_h = max(0, int(past.times_us[0]) - past.step_s * _US - since_us) / _US / 3600.0
    return full_kg_h * mean * (len(burn) * past.step_s / 3600.0 + before_h)


def scale_kg(times_us: Times, left_kg: Array, at_us: int) -> float | None:
    """Return what a scale says is left [kg]: the median of its last half hour; None if it is silent."""
    recent = (times_us > at_us - 1800 * _US) & (times_us <= at_us) & np.isfinite(left_kg)
    return float(np.median(left_kg[recent])) if recent.any() else None


def _hours_until(burned_kg: Array, left_kg: float) -> float:
    past_it = np.flatnonzero(burned_kg >= left_kg)
    if not len(past_it) or burned_kg[-1] < _NEXT_TO_NOTHING_KG_H * len(burned_kg):
        return float("inf")
    place = int(past_it[0])
    before = burned_kg[place - 1] if place else 0.0
    return float(place + (left_kg - before) / max(burned_kg[place] - before, 1e-12))
