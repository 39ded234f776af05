"""Several jobs in a row: the earliest schedule that will do, and the surest.

All jobs are tried on the same paths, so that a schedule's odds are those of one night after
the other and not a product of odds. On every path a job must hold by itself, the one before
must have reached the stage it waits for (and its recoat window be open), and the last of its
resin must be laid before that window shuts, taken at the quick end of the data sheet's band.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from forecast.bay_air import bay_air
from forecast.card import Stage
from forecast.job import Job
from forecast.job_pace import job_pace, job_resin, rate_sums, stage_sums
from forecast.limits import Limit
from forecast.moments import from_us
from forecast.paths import GRID_MIN, Forecast
from forecast.rate import Floats
from forecast.start_odds import StartOdds, job_steps, start_odds
from forecast.verdict import Verdict
from forecast.window import Terms, allowed_starts

Truths = npt.NDArray[np.bool_]
Steps = npt.NDArray[np.int64]

_EVERY = 2  # starts are tried every twenty minutes
_ROUNDING = 1e-9
_KEPT = 4  # partial schedules kept for each start of the job they end with


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One job of a row, in one bay.

    It begins when the job before it has reached `wait_for` (None: at once when that is done).
    With `bonds` it must be laid while the recoat window of the one before is open.
    """

    job: Job
    bay: str
    wait_for: Stage | None = Stage.GEL
    bonds: bool = True


@dataclass(frozen=True, slots=True)
class Placed:
    """A job in a schedule: when it starts, when the laying begins and when it is done.

    `odds` are those of the schedule up to and including it.
    """

    job: str
    bay: str
    start_at: datetime
    work_at: datetime
    done_at: datetime
    odds: float


@dataclass(frozen=True, slots=True)
class Schedule:
    """All jobs of a row, and the odds that all of them hold."""

    placed: tuple[Placed, ...]
    odds: float
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Plan:
    """The earliest schedule with a verdict of `go` (else `tight`), and the surest.

    Both are None where none has any odds; then `stuck` names the job that cannot be placed and
    `binds` the limit in its way, or says that the wait for the one before it is too long.
    """

    earliest: Schedule | None
    surest: Schedule | None
    stuck: str = ""
    binds: Limit = Limit.NONE


@dataclass(frozen=True, slots=True, eq=False)
class _Tried:
    """A job on the paths, by the starts tried.

    `starts` (n,) are steps, `holds` (paths, n) says where it holds by itself; the next job's
    laying may begin at `from_step` and must be done by `until_step` (paths, n).
    """

    job: Job
    bay: str
    odds: StartOdds
    starts: Steps
    holds: Truths
    from_step: Steps
    until_step: Steps


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    """A schedule so far: which start of each job, the odds up to each, and the paths on which all hold."""

    places: tuple[int, ...]
    odds: tuple[float, ...]
    alive: Truths


def plan(forecast: Forecast, steps: Sequence[PlanStep], terms: Terms) -> Plan:
    """Return the earliest and the surest schedule of jobs in a row.

    Parameters
    ----------
    forecast : Forecast
        The sample paths.
    steps : sequence of PlanStep
        The jobs in order; one crew, so that none begins before the one before is laid.
    terms : Terms
        Thresholds and working hours.

    Raises
    ------
    ValueError
        If there is no job, or a bay is not forecast with all that its limits are about.
    """
    if not steps:
        raise ValueError("a plan has at least one job")
    rows: list[_Row] = []
    tried: list[_Tried] = []
    for step, then in zip(steps, [*steps[1:], None], strict=True):
        one = _tried(forecast, step, then, terms)
        if one is None:
            return Plan(None, None, step.job.name, Limit.HORIZON)
        rows = _lengthened(rows, tried[-1], one) if tried else _begun(one)
        if not rows:
            return Plan(None, None, step.job.name, _in_the_way(one))
        tried.append(one)
    every = [_schedule(row, tried, terms) for row in rows]
    surest = max(every, key=lambda one: (round(one.odds, 3), -one.placed[-1].done_at.timestamp()))
    for verdict in (Verdict.GO, Verdict.TIGHT):
        good = [one for one in every if one.verdict is verdict]
        if good:
            return Plan(min(good, key=lambda one: (one.placed[-1].done_at, -one.odds)), surest)
    return Plan(None, surest)


def _tried(forecast: Forecast, step: PlanStep, then: PlanStep | None, terms: Terms) -> _Tried | None:
    """Try one job by itself; None where it outlasts the forecast."""
    job = step.job
    air = bay_air(forecast.paths, forecast.times_us, step.bay)
    if air is None or (air.vapour_pa is None and job.all_limits.about_moisture):
        raise ValueError(f"job {job.name}: bay {step.bay} is not forecast with all that its limits are about")
    resin = job_resin(job)
    pace = None if resin is None else job_pace(resin, air)
    odds = start_odds(air, job, pace)
    if odds is None:
        return None
    ready, length = job_steps(job)
    starts = _sparse(allowed_starts(odds.times_us, job, terms.working))
    opens = np.repeat((starts + length)[None, :], len(odds.holds), axis=0)
    shuts = np.full_like(opens, air.steps + 1)
    if resin is not None and pace is not None and then is not None:
        mixed = starts + length - round(job.pot_min / GRID_MIN)
        if then.wait_for is Stage.GEL:
            opens = np.maximum(opens, _reached(pace.gel, mixed, 1.0 / pace.speed_ratio[starts + ready]))
        elif then.wait_for is not None:
            sums = stage_sums(air, resin.pace_of(then.wait_for))
            opens = np.maximum(opens, _reached(sums, mixed, np.ones(len(mixed))))
        if then.bonds and resin.rates.opens is not None and resin.rates.closes is not None:
            one = np.ones(len(mixed))
            opens = np.maximum(opens, _reached(rate_sums(air, resin.rates.opens.slow), mixed, one))
            shuts = _reached(rate_sums(air, resin.rates.closes.quick), mixed, one)
    return _Tried(job, step.bay, odds, starts, odds.holds[:, starts], opens, shuts)


def _sparse(allowed: Truths) -> Steps:
    """Return the starts to try: every other one, and the first of every stretch."""
    begins = allowed & ~np.concatenate([[False], allowed[:-1]])
    even = np.arange(len(allowed)) % _EVERY == 0
    return np.flatnonzero(begins | (allowed & even))


def _reached(sums: Floats, since: Steps, needed: Floats) -> Steps:
    """Return the first step at which each path's sum has grown by what is needed (paths, n).

    Where it never does, a step beyond the paths.
    """
    found = np.empty((len(sums), len(since)), dtype=np.int64)
    for row, one in enumerate(sums):
        found[row] = np.searchsorted(one[:-1], one[since] + needed - _ROUNDING)
    return np.where(found >= sums.shape[1] - 1, sums.shape[1], found)


def _begun(one: _Tried) -> list[_Row]:
    return [
        _Row((place,), (float(one.holds[:, place].mean()),), one.holds[:, place])
        for place in range(len(one.starts))
        if one.holds[:, place].any()
    ]


def _lengthened(rows: list[_Row], before: _Tried, one: _Tried) -> list[_Row]:
    """Put a job behind each schedule so far; of those that start it together keep the surest few."""
    ready, length = job_steps(one.job)
    laid_from, laid_until = one.starts + ready, one.starts + length
    crew_free = before.starts + job_steps(before.job)[1]
    found: dict[int, list[_Row]] = {}
    for row in rows:
        last = row.places[-1]
        fits = one.holds & row.alive[:, None]
        fits &= (laid_from >= before.from_step[:, [last]]) & (laid_until <= before.until_step[:, [last]])
        fits &= one.starts >= crew_free[last]
        odds = fits.mean(axis=0)
        for place in np.flatnonzero(odds > 0.0):
            longer = _Row((*row.places, int(place)), (*row.odds, float(odds[place])), fits[:, place])
            found.setdefault(int(place), []).append(longer)
    return [one for alike in found.values() for one in sorted(alike, key=lambda one: -one.odds[-1])[:_KEPT]]


def _in_the_way(one: _Tried) -> Limit:
    """Return what keeps a job from being placed at all."""
    if one.holds.any():
        return Limit.STAGE_LATE  # by itself it could be: the one before keeps it waiting too long
    if not len(one.starts):
        return Limit.HOURS
    return one.odds.binds(int(one.starts[np.argmax(one.odds.odds[one.starts])]))


def _schedule(row: _Row, tried: Sequence[_Tried], terms: Terms) -> Schedule:
    placed = []
    for place, odds, one in zip(row.places, row.odds, tried, strict=True):
        start_at = from_us(int(one.odds.times_us[one.starts[place]]))
        ready, length = job_steps(one.job)
        grid = timedelta(minutes=GRID_MIN)
        placed.append(
            Placed(one.job.name, one.bay, start_at, start_at + ready * grid, start_at + length * grid, odds)
        )
    return Schedule(tuple(placed), row.odds[-1], terms.thresholds.verdict(row.odds[-1]))
