"""The odds of a job by the moment it starts: every start, every path, and the limit that fails first.

All is done on whole arrays. Whether the limits hold until the gel needs no gel time: the next
step that breaks one is known for every step (one running minimum), and gel comes before it
exactly where the cure's sum from the mixing to that step has reached 1.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from forecast.bay_air import BayAir, Broken, Steps, Times, Truths, broken
from forecast.job import Job
from forecast.job_pace import JobPace
from forecast.limits import CODES, LIMITS, Limit
from forecast.mix import WORKABLE_SHARE
from forecast.moments import to_us
from forecast.paths import GRID_MIN
from forecast.rate import Floats

_Number = TypeVar("_Number", np.int8, np.float64)

_US_PER_MIN = 60_000_000
_MIN_PER_H = 60.0


@dataclass(frozen=True, slots=True, eq=False)
class StartOdds:
    """The odds of one job in one bay, by start.

    `times_us` (starts,) [microseconds since 1970 UTC], every 10 min; `odds` (starts,) the share
    of paths on which all holds; `lost` (limits, starts) the share on which each of `LIMITS`
    is the first to fail; `holds` (paths, starts) on which paths all does. The odds and what is
    lost sum to 1.
    """

    times_us: Times
    odds: Floats
    lost: Floats
    holds: Truths

    def __len__(self) -> int:
        return len(self.times_us)

    def binds(self, start: int) -> Limit:
        """Return the limit that fails first on most of the paths that fail; `NONE` where none does."""
        shares = self.lost[:, start]
        return LIMITS[int(np.argmax(shares))] if shares.max() > 0.0 else Limit.NONE


def job_steps(job: Job) -> tuple[int, int]:
    """Return how many steps a job's preparation takes, and how many it takes in all; work ends on a step."""
    ready = round(job.prepare_min / GRID_MIN)
    return ready, ready + max(1, -int(-job.work_min // GRID_MIN))


def start_odds(air: BayAir, job: Job, pace: JobPace | None, breaks: Broken | None = None) -> StartOdds | None:
    """Return the odds of every start that the paths can judge; None where the job outlasts them.

    Parameters
    ----------
    air : BayAir
        The bay's paths.
    job : Job
        The job.
    pace : JobPace or None
        Its resin on these paths; None for a job without a card.
    breaks : Broken, optional
        Where its limits break, if already worked out for another job with the same limits.
    """
    breaks = broken(air, job.all_limits) if breaks is None else breaks
    ready, length = job_steps(job)
    starts = air.steps - length
    if starts <= 0:
        return None
    first = _First(len(air.part_c), starts, air.steps)
    end = np.arange(length, length + starts, dtype=np.int16)
    damp, warm = breaks.moisture[:, :starts], breaks.warmth[:, ready : ready + starts]
    if pace is None:
        soonest = np.minimum(damp, warm)
        first.add(soonest <= end, soonest, _taken(breaks.code, soonest))
    else:
        one = _One(air, job, pace, first, starts)
        if pace.tack_free is None:
            one.holds(np.minimum(damp, warm), breaks, pace.gel, speed=True)
        else:
            one.holds(warm, breaks, pace.gel, speed=True)
            one.holds(damp, breaks, pace.tack_free, speed=False)
        one.lasts()
        one.is_ready()
    lost = np.stack([(first.code == code).mean(axis=0) for code in range(len(LIMITS))])
    odds = lost[0].copy()
    lost[0] = 0.0
    return StartOdds(air.times_us[:starts], odds, lost, first.code == 0)


class _First:
    """Which failure comes first on each path and start."""

    def __init__(self, paths: int, starts: int, steps: int) -> None:
        self.step = np.full((paths, starts), steps + 1, dtype=np.int16)
        self.code = np.zeros((paths, starts), dtype=np.int8)

    def add(self, fails: Truths, step: npt.NDArray[np.int16], code: npt.ArrayLike) -> None:
        """Take in where something fails, at which step and as what; of equals the earlier added stays."""
        sooner = fails & (step < self.step)
        np.copyto(self.step, step, where=sooner)
        np.copyto(self.code, np.asarray(code, dtype=np.int8), where=sooner)


class _One:
    """One job with a card on one bay's paths."""

    def __init__(self, air: BayAir, job: Job, pace: JobPace, first: _First, starts: int) -> None:
        self._air, self._job, self._pace, self._first, self._starts = air, job, pace, first, starts
        self._ready, self._length = job_steps(job)
        self._pot_steps = job.pot_min / GRID_MIN
        self._mixed = self._length - self._pot_steps  # the last pot
        self._end = np.arange(self._length, self._length + starts, dtype=np.int16)
        self._speed = pace.speed_ratio[self._ready : self._ready + starts]

    def holds(self, breaks_at: Steps, breaks: Broken, sums: Floats, *, speed: bool) -> None:
        """Judge whether limits hold until the work is done and the sum since the last mixing is 1."""
        grown = _taken(sums, breaks_at) - _sliding(sums, self._mixed, self._starts)
        done = grown * self._speed >= 1.0 if speed else grown >= 1.0
        self._first.add((breaks_at <= self._end) | ~done, breaks_at, _taken(breaks.code, breaks_at))

    def lasts(self) -> None:
        """Judge whether each pot stays workable while it is laid."""
        for pot in range(self._job.layers):
            mixed, empty = (self._ready + one * self._pot_steps for one in (pot, pot + 1))
            gelled = _sliding(self._pace.gel, empty, self._starts) - _sliding(
                self._pace.gel, mixed, self._starts
            )
            at = np.arange(self._starts, dtype=np.int16) + np.int16(np.ceil(empty))
            self._first.add(gelled * self._speed > WORKABLE_SHARE, at[None, :], CODES[Limit.WORK_TIME])

    def is_ready(self) -> None:
        """Judge whether the stage wanted is reached by then, and nothing stops it on the way."""
        if self._job.stage is None:
            return
        sums = self._pace.gel if self._pace.stage is None else self._pace.stage
        speed = self._speed if self._pace.stage is None else np.ones(self._starts)
        since = _sliding(sums, self._mixed, self._starts)
        steps = self._air.steps
        due = due_steps(self._air, self._job, self._starts)
        if due is not None:
            by = np.minimum(due, steps).astype(np.int16)
            late = (sums[:, by] - since) * speed < 1.0
            code = np.where(due >= steps, CODES[Limit.HORIZON], CODES[Limit.STAGE_LATE])
            self._first.add(late, by[None, :], code[None, :])
        if self._pace.stalls is not None:
            from_step = int(np.ceil(self._mixed))
            stall = self._pace.stalls[:, from_step : from_step + self._starts]
            stopped = (stall < steps) & (_taken(sums, stall) - since < 1.0)
            self._first.add(stopped, stall, CODES[Limit.STALL])


def due_steps(air: BayAir, job: Job, starts: int) -> npt.NDArray[np.int64] | None:
    """Return the step by which each start must be ready; None where the job names no hour.

    It is the number of steps or more where beyond the paths, 0 where the last moment has passed.
    """
    if job.within_h is not None:
        return np.arange(starts) + int(job.within_h * _MIN_PER_H / GRID_MIN)
    if not job.by:
        return None
    by_us = np.array(sorted(to_us(moment) for moment in job.by), dtype=np.int64)
    done_us = air.times_us[:starts] + job_steps(job)[1] * GRID_MIN * _US_PER_MIN
    place = np.searchsorted(by_us, done_us)
    due_us = by_us[np.minimum(place, len(by_us) - 1)]
    due = (due_us - air.times_us[0]) // (GRID_MIN * _US_PER_MIN)
    return np.where(place >= len(by_us), 0, due)


def _taken(values: npt.NDArray[_Number], steps: Steps) -> npt.NDArray[_Number]:
    """Return each row's values at its own steps."""
    flat = steps + np.arange(len(values), dtype=np.int32)[:, None] * np.int32(values.shape[1])
    return values.ravel().take(flat)


def _sliding(sums: Floats, offset_steps: float, starts: int) -> Floats:
    """Return the sums a fixed time after each start; straight between steps."""
    low = int(offset_steps)
    part = offset_steps - low
    found = sums[:, low : low + starts]
    return found if part == 0.0 else found * (1.0 - part) + sums[:, low + 1 : low + 1 + starts] * part
