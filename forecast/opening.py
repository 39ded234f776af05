"""What would open a window where there is none: waiting, warmth, dryness, or a shorter job."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecast.bay_air import BayAir, Broken, wettest_pa
from forecast.card import Stage
from forecast.job import Job
from forecast.job_pace import JobPace, JobResin
from forecast.limits import Limit
from forecast.moments import from_us
from forecast.paths import GRID_MIN
from forecast.rate import HIGHEST_C, LOWEST_C, Floats
from forecast.start_odds import StartOdds, due_steps, job_steps
from forecast.window_answer import Opening, Remedy

_MIN_PER_H = 60.0
_MOST_K = 20.0
_MOST_PCT = 60.0
_HALVINGS = 9
_LIKELY = 0.5
_MOST_SHARE = 0.5  # a job of less than half is another job


_REMEDIES = {
    Limit.PART_COLD: Remedy.WARMER_PART,
    Limit.AIR_COLD: Remedy.WARMER_AIR,
    Limit.PART_HOT: Remedy.COOLER,
    Limit.AIR_HOT: Remedy.COOLER,
}


@dataclass(frozen=True, slots=True)
class Stretch:
    """How long the job must hold, the longest that does, and what would open a window [min]."""

    needed_min: float
    longest_min: float
    openings: tuple[Opening, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """A job tried in a bay: the paths, where they break its limits, its resin on them, and its odds."""

    job: Job
    air: BayAir
    breaks: Broken
    resin: JobResin | None
    pace: JobPace | None
    starts: StartOdds


def stretch(tried: Tried, best: int, wanted_odds: float) -> Stretch:
    """Return how long the job must hold and the longest that does, and what would open a window.

    Parameters
    ----------
    tried : Tried
        The job in its bay.
    best : int
        The start to help.
    wanted_odds : float
        The odds wanted.
    """
    job, starts, breaks = tried.job, tried.starts, tried.breaks
    limit = starts.binds(best)
    soonest = np.minimum(breaks.warmth, breaks.moisture)[:, : len(starts)]
    # with the odds wanted, what holds from each start on lasts at least this long
    row = int(np.floor((1.0 - wanted_odds) * len(soonest)))
    holds = np.partition(soonest, row, axis=0)[row] - np.arange(len(starts))
    longest_min = max(0.0, float(holds.max() - 1) * GRID_MIN)
    needed_min = job.prepare_min + job.work_min + _gel_min(tried, best)
    tries = (
        _waiting(tried, limit),
        _shifted(tried, limit, best, wanted_odds),
        _warmer(tried, limit, best, wanted_odds),
    )
    found = [one for one in tries if one is not None]
    short_min = needed_min - longest_min
    if 0.0 < short_min <= _MOST_SHARE * job.work_min:
        at = from_us(int(starts.times_us[int(np.argmax(holds))]))
        found.append(Opening(Remedy.SHORTEN, limit, at, less_min=short_min))
    if limit is Limit.WORK_TIME:
        found.append(Opening(Remedy.SMALLER_POTS, limit, from_us(int(starts.times_us[best]))))
    return Stretch(needed_min, longest_min, tuple(found))


def _gel_min(tried: Tried, start: int) -> float:
    """Return how long the last pot likely takes to gel after the work, if laid at a start."""
    if tried.resin is None or tried.pace is None:
        return 0.0
    job, air = tried.job, tried.air
    at = min(start + job_steps(job)[1], air.steps - 1)
    rate = float(tried.resin.pace_of(Stage.GEL).likely.per_h(air.likely_c[at])) * tried.pace.speed_ratio[at]
    return max(0.0, _MIN_PER_H / rate - job.pot_min) if rate > 0.0 else np.inf


def _waiting(tried: Tried, limit: Limit) -> Opening | None:
    """Find when the limit in the way, broken now on most paths, likely holds again."""
    short = _shortfall(tried, limit, slice(None))
    if short is None:
        return None
    share = (short <= 0.0).mean(axis=0)
    if share[0] >= _LIKELY or not (share >= _LIKELY).any():
        return None
    return Opening(Remedy.WAIT, limit, from_us(int(tried.air.times_us[int(np.argmax(share >= _LIKELY))])))


def _shortfall(tried: Tried, limit: Limit, steps: slice) -> Floats | None:
    """Return by how much a limit is broken (paths, steps), above 0 where it is.

    None for limits of another kind. The margin's is in Pa of vapour: only its sign means anything.
    """
    limits, air = tried.job.all_limits, tried.air
    if limit in {Limit.HUMIDITY, Limit.MARGIN}:
        if air.humidity_pct is None or air.vapour_pa is None:
            return None
        if limit is Limit.HUMIDITY:
            return air.humidity_pct[:, steps] - limits.humidity_max_pct
        return air.vapour_pa[:, steps] - wettest_pa(air.part_c[:, steps] - limits.margin_min_k)
    sides = {
        Limit.PART_COLD: (air.part_c, limits.part_min_c, -1.0),
        Limit.PART_HOT: (air.part_c, limits.part_max_c, 1.0),
        Limit.AIR_COLD: (air.air_c, limits.air_min_c, -1.0),
        Limit.AIR_HOT: (air.air_c, limits.air_max_c, 1.0),
    }
    if limit not in sides:
        return None
    values, bound, sign = sides[limit]
    return np.asarray(sign * (values[:, steps] - bound))


def _shifted(tried: Tried, limit: Limit, start: int, wanted_odds: float) -> Opening | None:
    """Work out by how much part or air must change at a start for the limit to hold as often as wanted."""
    ready, length = job_steps(tried.job)
    damp = limit in {Limit.HUMIDITY, Limit.MARGIN}
    steps = slice(start if damp else start + ready, start + length + 1)
    short = _shortfall(tried, limit, steps)
    if short is None:
        return None
    at = from_us(int(tried.starts.times_us[start]))
    by = float(np.quantile(short.max(axis=1), wanted_odds))
    if limit is Limit.HUMIDITY:
        return Opening(Remedy.DRIER, limit, at, shift_pct=by) if by < _MOST_PCT else None
    if limit is not Limit.MARGIN:
        return Opening(_REMEDIES[limit], limit, at, by)
    air, least_k = tried.air, tried.job.all_limits.margin_min_k

    def share(shift_k: float) -> float:
        dry = air.vapour_pa[:, steps] <= wettest_pa(air.part_c[:, steps] + shift_k - least_k)  # type: ignore[index]
        return float(dry.all(axis=1).mean())

    shift_k = _least(share, wanted_odds)
    return None if shift_k is None else Opening(Remedy.WARMER_PART, limit, at, shift_k)


def _warmer(tried: Tried, limit: Limit, start: int, wanted_odds: float) -> Opening | None:
    """Work out how much warmer the part must stay to reach its stage in time, as often as wanted."""
    job, air, resin = tried.job, tried.air, tried.resin
    if resin is None or job.stage is None or limit not in {Limit.STAGE_LATE, Limit.STALL}:
        return None
    due = due_steps(air, job, len(tried.starts))
    last = air.steps - 1 if due is None else min(air.steps - 1, int(due[start]))
    part_c = air.part_c[:, start + job_steps(job)[1] - round(job.pot_min / GRID_MIN) : last + 1]
    rate = resin.pace_of(job.stage).likely

    def share(shift_k: float) -> float:
        per_h = rate.per_h(np.clip(part_c + shift_k, LOWEST_C, HIGHEST_C)).mean(axis=1)
        return float((per_h * (part_c.shape[1] - 1) * GRID_MIN / _MIN_PER_H >= 1.0).mean())

    shift_k = _least(share, wanted_odds) if part_c.shape[1] > 1 else None
    at = from_us(int(tried.starts.times_us[start]))
    return None if shift_k is None else Opening(Remedy.WARMER_PART, limit, at, shift_k)


def _least(share: Callable[[float], float], wanted_odds: float) -> float | None:
    """Return the least shift [K] whose share is the one wanted; None if twenty kelvin are not enough."""
    low, high = 0.0, _MOST_K
    if share(high) < wanted_odds:
        return None
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        low, high = (low, middle) if share(middle) >= wanted_odds else (middle, high)
    return high
