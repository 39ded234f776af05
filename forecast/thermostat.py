"""A thermostat as it behaves: what it senses, when it switches, measured from readings and stepped ahead."""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast.climate_past import Array, ClimatePast

_LAGS_S = tuple(range(0, 901, 20))
_FEWEST_SWITCHES = 6
_USUAL_BAND_K, _USUAL_LAG_S = 1.0, 120.0
_BURNING = 0.5
_LEAST_SWING_K, _LONGEST_SWING_S, _CREST_LATE_S = 0.8, 7200.0, 120.0


@dataclass(frozen=True, slots=True)
class Thermostat:
    """How the heater is switched.

    It senses the air of bay `place` (in the past's order) through a lag of `lag_s`, calls for heat below its
    setting by `on_below_k` and stops above it by `off_above_k`. `switches` is how many times it was
    seen to: with none these are the usual figures of the trade.
    """

    place: int
    lag_s: float
    on_below_k: float
    off_above_k: float
    switches: int

    @property
    def band_k(self) -> float:
        """What lies between switching on and off [K]."""
        return self.on_below_k + self.off_above_k


@dataclass(slots=True)
class Sensing:
    """What a thermostat remembers, per path: the temperature it feels [°C], and whether it calls for heat."""

    felt_c: Array
    calling: npt.NDArray[np.bool_]


def usual_thermostat(place: int) -> Thermostat:
    """Return a common room thermostat: 1 K wide, two minutes late (common practice, no source)."""
    return Thermostat(place, _USUAL_LAG_S, _USUAL_BAND_K / 2, _USUAL_BAND_K / 2, 0)


def measured_thermostat(past: ClimatePast, place: int | None = None) -> Thermostat:
    """Return the thermostat as the past shows it: where it hangs, its lag and its band.

    The lag is the one with which the felt air is most alike at every switch, on and off apart; the bay, where
    `place` does not name it, the one that fits best. Needs a measured setting and at least six switches;
    with less it is a usual one.

    Parameters
    ----------
    past : ClimatePast
    place : int, optional
        Where it hangs, if that is known.
    """
    on_at, off_at = switch_steps(past.burn_share)
    places = range(len(past.bays)) if place is None else (place,)
    best: tuple[float, Thermostat] | None = None
    for where in places:
        rows = _felt_rows(past.air_c[where], np.array(_LAGS_S, dtype=np.float64), past.step_s)
        for index, lag_s in enumerate(_LAGS_S):
            felt = rows[index]
            # A switch was somewhere in its step: half way, on average.
            middle = (felt + np.concatenate([felt[:1], felt[:-1]])) / 2.0
            off_by = past.setpoint_c - middle
            on_k = _unhurried(off_by[on_at], past.setpoint_c, on_at)
            off_k = _unhurried(-off_by[off_at], past.setpoint_c, off_at)
            if min(len(on_k), len(off_k)) < _FEWEST_SWITCHES // 2:
                continue
            # A longer lag feels smaller swings, and so smaller scatter too: seconds are the fair measure.
            pace_k = np.nanmedian(np.abs(np.diff(felt)[np.concatenate([on_at, off_at]) - 1]))
            scatter = (_scatter(on_k) + _scatter(off_k)) / max(float(pace_k), 1e-6)
            if best is None or scatter < best[0] - 1e-3:
                found = Thermostat(
                    where,
                    float(lag_s),
                    float(np.median(on_k)),
                    float(np.median(off_k)),
                    len(on_k) + len(off_k),
                )
                best = scatter, found
    if best is None or best[1].band_k <= 0.0:
        return usual_thermostat(0 if place is None else place)
    return best[1]


def switch_steps(burn_share: Array) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the steps at which burning began and ended."""
    heard = np.isfinite(burn_share)
    both = heard[1:] & heard[:-1]
    before, after = burn_share[:-1], burn_share[1:]
    # A step of half burning is the one in which it was switched, either way.
    on = np.flatnonzero(both & (after >= _BURNING) & (before < _BURNING)) + 1
    off = np.flatnonzero(both & (after <= _BURNING) & (before > _BURNING)) + 1
    return on, off


def felt_c(air_c: Array, lag_s: float, step_s: float) -> Array:
    """Return what a sensor with a lag feels of the air [°C], (n,)."""
    found: Array = _felt_rows(air_c, np.array([lag_s]), step_s)[0]
    return found


def _felt_rows(air_c: Array, lags_s: Array, step_s: float) -> Array:
    """Return what sensors of several lags feel, (lags, n); NaN where the air was not heard."""
    heard = np.flatnonzero(np.isfinite(air_c))
    felt = np.full((len(air_c), len(lags_s)), np.nan)
    if len(heard):
        bridged = np.interp(np.arange(len(air_c)), heard, air_c[heard])
        share = 1.0 - np.exp(-step_s / np.maximum(lags_s, 1e-3))
        now = np.full(len(lags_s), bridged[0])
        for step in range(len(air_c)):
            now = now + (bridged[step] - now) * share
            felt[step] = now
    return np.where(np.isfinite(air_c), felt.T, np.nan)


def _unhurried(values: Array, setpoint_c: Array, at: npt.NDArray[np.int64]) -> Array:
    """Leave out switches made by a hand on the dial, and readings that are missing."""
    before = setpoint_c[np.maximum(at - 3, 0)]
    steady = np.isfinite(values) & (before == setpoint_c[at])
    found: Array = values[steady]
    return found


def _scatter(values: Array) -> float:
    return float(np.median(np.abs(values - np.median(values))))


def sawtooth(past: ClimatePast) -> tuple[Array, Array, int] | None:
    """Return how a heater that nobody measures must have burned, from the saw-tooth it leaves in the air.

    Burning is from a trough to the crest after it, less the lag of the casing. None where no bay swings
    regularly by at least 0.8 K, within two hours, six times in the last day.

    Returns
    -------
    (burn_share, setpoint_c, place) or None
        Burning and the middle of the swings, (n,), NaN before the first; and the bay that swings most.
    """
    from scipy.signal import find_peaks

    day = past.until(len(past), round(86_400 / past.step_s))
    best: tuple[float, int] | None = None
    for place, row in enumerate(day.air_c):
        crests, troughs = _turns(row, find_peaks)
        if min(len(crests), len(troughs)) < _FEWEST_SWITCHES:
            continue
        if np.median(np.diff(crests)) * past.step_s > _LONGEST_SWING_S:
            continue
        swing_k = float(np.median(row[crests]) - np.median(row[troughs]))
        if best is None or swing_k > best[0]:
            best = swing_k, place
    if best is None:
        return None
    row = past.air_c[best[1]]
    crests, troughs = _turns(row, find_peaks)
    burn, middle_c = np.full(len(past), np.nan), np.full(len(past), np.nan)
    late = round(_CREST_LATE_S / past.step_s)
    turns = sorted([(step, True) for step in crests] + [(step, False) for step in troughs])
    for (step, crest), (after, crest_after) in pairwise(turns):
        burn[step:after] = 0.0 if crest else 1.0
        middle_c[step:after] = (row[step] + row[after]) / 2.0
        if crest_after and not crest:
            burn[max(step, after - late) : after] = 0.0
    if turns:
        last, crest = turns[-1]
        burn[last:] = 0.0 if crest else 1.0
        middle_c[last:] = middle_c[last - 1]
    return burn, middle_c, best[1]


def _turns(row: Array, find_peaks: Callable[..., Any]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    heard = np.flatnonzero(np.isfinite(row))
    if len(heard) < _FEWEST_SWITCHES:
        return heard[:0], heard[:0]
    whole = np.interp(np.arange(len(row)), heard, row[heard])
    crests = find_peaks(whole, prominence=_LEAST_SWING_K)[0]
    troughs = find_peaks(-whole, prominence=_LEAST_SWING_K)[0]
    return crests, troughs


def begin_sensing(thermostat: Thermostat, past: ClimatePast, paths: int) -> Sensing:
    """Return what the thermostat feels and calls for at the end of a past."""
    air = past.air_c[thermostat.place]
    felt = felt_c(air, thermostat.lag_s, past.step_s)
    last = np.flatnonzero(np.isfinite(felt))
    burn = past.burn_share[np.isfinite(past.burn_share)]
    felt_now_c = float(felt[last[-1]]) if len(last) else np.nan
    calling = bool(len(burn) and burn[-1] > _BURNING)
    return Sensing(np.full(paths, felt_now_c), np.full(paths, calling))


def call_for_heat(
    thermostat: Thermostat, sensing: Sensing, air_c: Array, setpoint_c: Array, dt_s: float
) -> Array:
    """Advance what it feels by a step and return the share of the step it calls for heat, (paths,).

    A step in which it switches counts in part: the moment lies on a straight line. NaN for a setting means
    off, infinity a heater that burns without a thermostat.

    Parameters
    ----------
    thermostat : Thermostat
    sensing : Sensing
        Changed in place.
    air_c : array
        Air where it hangs, (paths,).
    setpoint_c : array
        Its setting during the step, () or (paths,).
    dt_s : float
        Length of the step [s].
    """
    before_c = sensing.felt_c
    after_c = before_c + (air_c - before_c) * (1.0 - np.exp(-dt_s / max(thermostat.lag_s, 1e-3)))
    on_c = np.asarray(setpoint_c) - thermostat.on_below_k
    off_c = np.asarray(setpoint_c) + thermostat.off_above_k
    rise_k = after_c - before_c
    moved_k = np.where(np.abs(rise_k) < 1e-9, 1e-9, rise_k)  # noqa: PLR2004  no division by nothing
    stops = sensing.calling & ~(after_c <= off_c)
    starts = ~sensing.calling & (after_c < on_c)
    # A dial that was turned switches at once; else the felt temperature has to get there.
    until_off = np.where(before_c > off_c, 0.0, np.clip((off_c - before_c) / moved_k, 0.0, 1.0))
    until_on = np.where(before_c < on_c, 0.0, np.clip((on_c - before_c) / moved_k, 0.0, 1.0))
    share = np.where(
        stops,
        np.nan_to_num(until_off),
        np.where(starts, 1.0 - np.nan_to_num(until_on), sensing.calling * 1.0),
    )
    sensing.felt_c = after_c
    sensing.calling = (sensing.calling & ~stops) | starts
    found: Array = np.where(np.isnan(on_c), 0.0, share)
    return found
