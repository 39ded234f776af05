"""Stretches fit to start a job: when, with what odds, and what ends them.

Every start in the hours to come is tried on every sample path (`forecast.start_odds`);
neighbouring starts of one verdict are a window.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
import numpy.typing as npt

from forecast.bay_air import BayAir, Times, bay_air, broken
from forecast.job import Job
from forecast.job_pace import job_pace, job_resin
from forecast.limits import Limit
from forecast.moments import from_us, to_us
from forecast.opening import Tried, stretch
from forecast.paths import GRID_MIN, Forecast
from forecast.rate import Floats
from forecast.start_odds import StartOdds, job_steps, start_odds
from forecast.time_surface import TimeSurface
from forecast.verdict import WORST_FIRST, Verdict
from forecast.window_answer import JobWindows, Window

Recalibrate = Callable[[str, Job, StartOdds], Floats]
"""From a bay, a job and the paths' odds by start to better odds, shape (starts,)."""

_US_PER_MIN = 60_000_000


@dataclass(frozen=True, slots=True)
class Thresholds:
    """From which odds on a start is `go`, and from which it is `tight`.

    Raises
    ------
    ValueError
        If they are not 0 < tight <= go <= 1.
    """

    go_odds: float = 0.9
    tight_odds: float = 0.6

    def __post_init__(self) -> None:
        if not 0.0 < self.tight_odds <= self.go_odds <= 1.0:
            raise ValueError(
                f"tight_odds {self.tight_odds:g} and go_odds {self.go_odds:g}: 0 < tight <= go <= 1"
            )

    def verdict(self, odds: float) -> Verdict:
        """Return what odds mean.

        >>> Thresholds().verdict(0.92).value, Thresholds().verdict(0.5).value
        ('go', 'no-go')
        """
        if odds >= self.go_odds:
            return Verdict.GO
        return Verdict.TIGHT if odds >= self.tight_odds else Verdict.NO_GO


DEFAULT_THRESHOLDS = Thresholds()


@dataclass(frozen=True, slots=True)
class Terms:
    """On what terms windows are looked for.

    `working` are spans [microseconds since 1970 UTC] into which preparation and laying must
    fall, None for any hour. `recalibrate` makes better odds of the paths' own.
    """

    thresholds: Thresholds = DEFAULT_THRESHOLDS
    working: tuple[tuple[int, int], ...] | None = None
    recalibrate: Recalibrate | None = None


ANY_HOUR = Terms()


def windows(
    forecast: Forecast,
    jobs: Sequence[Job],
    bays: Sequence[str],
    terms: Terms = ANY_HOUR,
    surfaces: Sequence[TimeSurface | None] | None = None,
) -> tuple[JobWindows, ...]:
    """Return the windows of every job in every bay, bay by bay.

    Parameters
    ----------
    forecast : Forecast
        The sample paths.
    jobs : sequence of Job
        The jobs.
    bays : sequence of str
        The bays asked about.
    terms : Terms
        Thresholds, working hours and what makes odds better.
    surfaces : sequence of TimeSurface or None, optional
        Per job a gel surface that has learned from a lot.

    Raises
    ------
    ValueError
        If a card's tables cannot be.
    """
    learned = [None] * len(jobs) if surfaces is None else surfaces
    resins = [job_resin(job, one) for job, one in zip(jobs, learned, strict=True)]
    found = []
    for bay in bays:
        air = bay_air(forecast.paths, forecast.times_us, bay)
        breaks = (
            {}
            if air is None
            else {limits: broken(air, limits) for limits in {one.all_limits for one in jobs}}
        )
        for job, resin in zip(jobs, resins, strict=True):
            if air is None:
                found.append(_no_news(bay, job, f"nothing is forecast for {bay}"))
            elif air.vapour_pa is None and job.all_limits.about_moisture:
                found.append(_no_news(bay, job, f"no humidity is forecast for {bay}"))
            else:
                pace = None if resin is None else job_pace(resin, air)
                odds = start_odds(air, job, pace, breaks[job.all_limits])
                if odds is None:
                    found.append(_too_long(bay, job, air, forecast.notes))
                else:
                    tried = Tried(job, air, breaks[job.all_limits], resin, pace, odds)
                    found.append(_answer(bay, tried, terms, forecast.notes))
    return tuple(found)


def _no_news(bay: str, job: Job, why: str) -> JobWindows:
    news = Verdict.NO_NEWS
    return JobWindows(bay, job.name, news, news, (), None, 0.0, Limit.NONE, job.work_min, 0.0, (), (why,))


def _too_long(bay: str, job: Job, air: BayAir, notes: tuple[str, ...]) -> JobWindows:
    note = f"the job takes longer than the {air.steps * GRID_MIN / 60:.0f} h that are forecast"
    needed, no = job.prepare_min + job.work_min, Verdict.NO_GO
    return JobWindows(bay, job.name, no, no, (), None, 0.0, Limit.HORIZON, needed, 0.0, (), (*notes, note))


def _answer(bay: str, tried: Tried, terms: Terms, notes: tuple[str, ...]) -> JobWindows:
    job, starts = tried.job, tried.starts
    if terms.recalibrate is not None:
        odds = terms.recalibrate(bay, job, starts)
        fail = (1.0 - odds) / np.maximum(starts.lost.sum(axis=0), 1e-9)
        starts = replace(starts, odds=odds, lost=starts.lost * fail)
        tried = replace(tried, starts=starts)
    allowed = allowed_starts(starts.times_us, job, terms.working)
    found = _merged(tried, allowed, terms.thresholds)
    best = int(np.argmax(np.where(allowed, starts.odds, -1.0)))
    verdict = max((one.verdict for one in found), key=WORST_FIRST.index, default=Verdict.NO_GO)
    helped = stretch(tried, best, terms.thresholds.go_odds)
    return JobWindows(
        bay,
        job.name,
        verdict,
        terms.thresholds.verdict(float(starts.odds[0])),
        found,
        from_us(int(starts.times_us[best])) if allowed.any() else None,
        float(starts.odds[best]) if allowed.any() else 0.0,
        starts.binds(best),
        helped.needed_min,
        helped.longest_min,
        () if verdict is Verdict.GO else helped.openings,
        notes,
        starts,
    )


def allowed_starts(
    times_us: Times, job: Job, working: tuple[tuple[int, int], ...] | None
) -> npt.NDArray[np.bool_]:
    """Say which starts leave preparation and laying within one span of working time."""
    if working is None:
        return np.ones(len(times_us), dtype=bool)
    done_us = times_us + job_steps(job)[1] * GRID_MIN * _US_PER_MIN
    inside = np.zeros(len(times_us), dtype=bool)
    for opens_us, closes_us in working:
        inside |= (times_us >= opens_us) & (done_us <= closes_us)
    return inside


def _merged(tried: Tried, allowed: npt.NDArray[np.bool_], thresholds: Thresholds) -> tuple[Window, ...]:
    """Make windows of neighbouring starts with one verdict."""
    odds = tried.starts.odds
    rank = np.where(odds >= thresholds.tight_odds, 1, 0) + (odds >= thresholds.go_odds)
    rank = np.where(allowed, rank, 0)
    edges = np.flatnonzero(np.diff(rank)) + 1
    spans = zip([0, *edges], [*edges, len(rank)], strict=True)
    return tuple(
        _window(tried, allowed, (int(first), int(stop)), Verdict.GO if rank[first] > 1 else Verdict.TIGHT)
        for first, stop in spans
        if rank[first] > 0
    )


def _window(tried: Tried, allowed: npt.NDArray[np.bool_], span: tuple[int, int], verdict: Verdict) -> Window:
    first, stop = span
    starts, pace = tried.starts, tried.pace
    odds = starts.odds[first:stop]
    best = first + int(np.argmax(odds))
    work = best + job_steps(tried.job)[0]
    binds = Limit.HORIZON
    if stop < len(starts):
        binds = starts.binds(stop) if allowed[stop] else Limit.HOURS
    return Window(
        start_at=from_us(int(starts.times_us[first])),
        end_at=from_us(int(starts.times_us[stop - 1])),
        verdict=verdict,
        odds=float(odds.min()),
        best_odds=float(starts.odds[best]),
        best_at=from_us(int(starts.times_us[best])),
        binds=binds,
        catalyst_pct=None if pace is None else float(pace.catalyst_pct[work]),
        part_c=None if pace is None else float(tried.air.likely_c[work]),
    )


def working_spans(days: Sequence[tuple[datetime, datetime]]) -> tuple[tuple[int, int], ...]:
    """Return working hours, given as aware moments of beginning and end, as `Terms` want them."""
    return tuple((to_us(opens), to_us(closes)) for opens, closes in days)
