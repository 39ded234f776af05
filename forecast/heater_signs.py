"""Tell a heater that stopped from a door left open and from a sensor that was moved, by how the air goes.

The grey box steps the last minutes with all that was measured. Where the air goes another way, it is tried
without the flame, and with several times the leak of a shut shed: what then fits is what happened. A sensor
that was moved jumps within minutes, alone, and stays.
"""

from typing import NamedTuple

import numpy as np

from forecast.climate_past import Array, ClimatePast
from forecast.climate_run import Shed, followed
from forecast.heater_state import Sign
from forecast.thermostat import felt_c

_WINDOWS_MIN = (15, 30, 60)
_MOVED_MIN, _USUAL_MIN, _UNUSUAL = 70, 180, 1.5
_DOOR_FACTORS = (3.0, 6.0, 12.0)
_ODD_K = 1.0
_ODD_MISSES = 2.5
_FITS_SHARE = 0.6
_JUMP_K, _JUMP_MIN, _ALONE_SHARE, _STAYS_SHARE = 1.5, 4, 0.4, 0.5
_COLD_MIN, _COLD_K, _DAY_MIN = 12, 0.7, 1440
_BURNING = 0.5
_VAIN_MIN, _CLAIMED_K, _VAIN_SHARE, _DOOR_SHARE = (20, 40, 90, 360), 4.0, 0.25, 0.8
_PIPE_WARM_K = 2.0


class Found(NamedTuple):
    """What happened, and the step from which it shows."""

    sign: Sign
    step: int


def sign_of(shed: Shed, past: ClimatePast) -> Found:
    """Return what the last hour shows: nothing odd, a heater that stopped, an open door, a moved sensor.

    Parameters
    ----------
    shed : Shed
        Fitted to a past without the trouble.
    past : ClimatePast
        At least three hours, or nothing is told.
    """
    none = Found(Sign.NONE, len(past))
    minute = 60.0 / past.step_s
    if len(past) < 180 * minute:
        return none
    vain = _burns_in_vain(shed, past)
    if vain is not None:
        return Found(Sign.HEATER_STOPPED, vain)
    # A moved sensor may feel cold enough for the thermostat, so it is looked for first.
    longest = len(past) - round(_MOVED_MIN * minute)
    moved = _moved(shed, past, longest)
    if moved is not None:
        return Found(Sign.SENSOR_MOVED, moved)
    stopped = _no_flame(shed, past)
    if stopped is not None:
        return Found(Sign.HEATER_STOPPED, stopped)
    for window in _WINDOWS_MIN:
        first = len(past) - round(window * minute)
        sign = _tried(shed, past, first)
        if sign is not Sign.NONE:
            return Found(sign, first)
    return none


def pipe_gone_cold(shed: Shed, past: ClimatePast) -> Found:
    """Return whether a pipe gives nothing while its bay is colder than set, and since when: no more is told.

    Parameters
    ----------
    shed : Shed
    past : ClimatePast
        With the pipe's temperature and the setting.
    """
    gives = np.where(past.pipe_c - past.air_c[shed.thermostat.place] > _PIPE_WARM_K, 1.0, 0.0)
    warm = np.where(np.isfinite(past.pipe_c), gives, np.nan)
    since = _no_flame(shed, past.with_burn(warm))
    return Found(Sign.NONE, len(past)) if since is None else Found(Sign.HEATER_STOPPED, since)


def _burning_steps(past: ClimatePast) -> int:
    """Return for how many steps up to now it has been said to burn without a pause."""
    paused = np.flatnonzero(~(past.burn_share > _BURNING))
    return len(past) - 1 - int(paused[-1]) if len(paused) else len(past)


def _burns_in_vain(shed: Shed, past: ClimatePast) -> int | None:
    """Return since when a relay calls and nothing burns: all bays go as they would without the flame."""
    burning, minute = _burning_steps(past), 60.0 / past.step_s
    if burning < _COLD_MIN * minute:
        return None
    longest = min(burning, round(_VAIN_MIN[-1] * minute))
    lengths = {longest, *(round(length * minute) for length in _VAIN_MIN if length * minute < burning)}
    for length in sorted(lengths, reverse=True):
        first = len(past) - length
        out = past.with_burn(np.where(np.arange(len(past)) >= first, 0.0, past.burn_share))
        measured, hot, cold = past.air_c[:, first:], followed(shed, past, first), followed(shed, out, first)
        if np.max(hot - cold) < _CLAIMED_K:
            continue
        flameless = _size_k(measured - cold)
        if flameless >= _VAIN_SHARE * _size_k(measured - hot):
            continue
        ajar = min(_size_k(measured - followed(shed, past, first, factor)) for factor in _DOOR_FACTORS)
        if flameless < _DOOR_SHARE * ajar:
            return first
    return None


def _no_flame(shed: Shed, past: ClimatePast) -> int | None:
    """Return since when there is no flame: since the last, it was cold for twelve minutes and did not burn.

    That holds until it burns again, or for a day: sunshine, or a setting turned down, lights nothing.
    """
    count = round(_COLD_MIN * 60 / past.step_s)
    out = past.burn_share <= 0.0
    if not out[-count:].all():
        return None
    lit_or_unheard = np.flatnonzero(~out)
    first = int(lit_or_unheard[-1]) + 1 if len(lit_or_unheard) else 0
    felt = felt_c(past.air_c[shed.thermostat.place], shed.thermostat.lag_s, past.step_s)
    lately = max(first, len(past) - round(_DAY_MIN * 60 / past.step_s))
    vain = (felt < past.setpoint_c - shed.thermostat.on_below_k - _COLD_K)[lately:]
    whole = np.flatnonzero(np.convolve(vain, np.ones(count), "valid") >= count)
    if not len(whole):
        return None
    burned = np.flatnonzero(past.burn_share > _BURNING)
    return int(burned[-1]) + 1 if len(burned) else lately + int(whole[0])


def _moved(shed: Shed, past: ClimatePast, first: int) -> int | None:
    """Return the step of a jump in one bay's air that no other bay shares and that stays as it is.

    Air that goes on falling away from what was reckoned is no sensor: a flame went out, or a door is open.
    Nor is a jump of the size of those in the hours before, where the burner's minutes are known badly.
    """
    miss = past.air_c[:, first:] - followed(shed, past, first)
    span = max(1, round(_JUMP_MIN * 60 / past.step_s))
    jump = _jumps(miss, span)
    burning = min(_burning_steps(past), round(_VAIN_MIN[0] * 60 / past.step_s))
    if burning:
        jump[:, -burning:] = np.maximum(jump[:, -burning:], 0.0)  # it may burn in vain: that is soon known
    if jump.shape[1] <= 3 * span or np.abs(jump).max() < _JUMP_K:
        return None
    earlier = max(first // 2, first - round(_USUAL_MIN * 60 / past.step_s))  # stepping begins with a past
    before = past.until(first)
    usual = _jumps(before.air_c[:, earlier:] - followed(shed, before, earlier), span)
    least_k = np.maximum(_JUMP_K, _UNUSUAL * np.abs(usual).max(axis=1, initial=0.0))
    bay, at = (int(place) for place in np.unravel_index(int(np.argmax(np.abs(jump))), jump.shape))
    after = miss[bay, at + span :]
    lasting_k = _median(after) - _median(miss[bay, : max(1, at)])
    drift_k = _median(after[len(after) // 2 :]) - _median(after[: len(after) // 2])
    if abs(drift_k) > _STAYS_SHARE * abs(lasting_k):
        return None
    others = np.abs(np.delete(jump, bay, axis=0))[:, max(0, at - span) : at + span + 1]
    shared_k = float(others.max()) if others.size else 0.0
    alone = shared_k < _ALONE_SHARE * abs(jump[bay, at])
    lasts = lasting_k * float(np.sign(jump[bay, at])) >= _JUMP_K
    return first + at + span if abs(jump[bay, at]) >= least_k[bay] and lasts and alone else None


def _jumps(miss: Array, span: int) -> Array:
    """Return by how much each bay's miss leaps within `span` steps; not where the stepping has just begun."""
    jump = np.nan_to_num(miss[:, span:] - miss[:, :-span])
    jump[:, : 2 * span] = 0.0  # begun amiss, it leaps to what is
    return np.asarray(jump)


def _median(values: Array) -> float:
    heard = values[np.isfinite(values)]
    return float(np.median(heard)) if len(heard) else 0.0


def _tried(shed: Shed, past: ClimatePast, first: int) -> Sign:
    """Return what else than the usual would have made the air go as it did since step `first`."""
    measured = past.air_c[:, first:]
    miss = measured - followed(shed, past, first)
    usual = _size_k(miss)
    if not usual > max(_ODD_K, _ODD_MISSES * float(np.max(np.nan_to_num(shed.heat.error_k)))):
        return Sign.NONE
    if _median(miss[:, -5:].ravel()) > 0.0:
        return Sign.NONE  # warmer than it should be is no loss
    outcomes = {}
    if (past.burn_share[first:] > 0.0).any():
        cold = past.with_burn(np.where(np.arange(len(past)) >= first, 0.0, past.burn_share))
        outcomes[Sign.HEATER_STOPPED] = _size_k(measured - followed(shed, cold, first))
    doors = (_size_k(measured - followed(shed, past, first, factor)) for factor in _DOOR_FACTORS)
    outcomes[Sign.DOOR_OPEN] = min(doors)
    best = min(outcomes, key=lambda sign: outcomes[sign])
    return best if outcomes[best] < _FITS_SHARE * usual else Sign.NONE


def _size_k(miss: Array) -> float:
    heard = miss[np.isfinite(miss)]
    return float(np.sqrt(np.mean(heard**2))) if len(heard) else 0.0
