"""A live cure through the hours to come: when each stage arrives, on every sample path of its bay.

Two things are uncertain: how warm the part will be, which the paths tell, and how quick this
batch is beside its sheet, which the sheet's own 80 % band tells. Each path gets one quickness,
the same for all stages, spread evenly over the band and independent of the path's warmth.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from statistics import NormalDist

import numpy as np

from forecast.card import Stage
from forecast.course import Course, course, extreme_hours
from forecast.cure import reached_h
from forecast.cure_now import believable_gel
from forecast.cure_outlook import Arrival, ColdestHour, Dew, Ready, StageAhead, Wanted
from forecast.cure_state import CureState, StageState
from forecast.pace import CureRates, Pace
from forecast.rate import HIGHEST_C, LOWEST_C, Floats

_Z_90 = NormalDist().inv_cdf(0.9)
_EARLY, _LIKELY, _LATE = 0.1, 0.5, 0.9
_NIGHT_H = 24.0  # how far the coldest hour is looked for where no hour is wanted
_SPREAD_H = 12.0  # the sheet's band is taken at the mean warmth of this long
_NEVER_H = np.inf


@dataclass(frozen=True, slots=True, eq=False)
class PartAhead:
    """A bay's part in the hours to come.

    `at` is now; `course` has all paths, its hour 0 is now. `margin_k` (paths, steps) [K] is the
    part's surface over the dew or frost point at the course's times; None where it is not forecast.
    """

    at: datetime
    course: Course
    margin_k: Floats | None = None

    @property
    def until(self) -> datetime:
        """The end of the hours looked at."""
        return self.at + timedelta(hours=self.course.end_h)


def part_ahead(
    at: datetime, now_c: float, elapsed_h: Floats, part_c: Floats, margin_k: Floats | None = None
) -> PartAhead:
    """Join a part's temperature now to its sample paths.

    Parameters
    ----------
    at : datetime
        Now, aware.
    now_c : float
        The part's temperature now [°C].
    elapsed_h : ndarray, shape (steps,)
        Times of the paths [h from now], above 0, rising; two or more.
    part_c : ndarray, shape (paths, steps)
        The part's temperature [°C], -40 to 200.
    margin_k : ndarray, shape (paths, steps), optional
        Its surface over the dew or frost point [K].

    Raises
    ------
    ValueError
        If shapes do not fit, times do not rise or a temperature is out of range.
    """
    times = np.concatenate(([0.0], elapsed_h))
    temps = np.column_stack((np.full(part_c.shape[0], now_c), part_c))
    margins = None if margin_k is None else np.column_stack((margin_k[:, :1], margin_k))
    return PartAhead(at, course(times, np.clip(temps, LOWEST_C, HIGHEST_C)), margins)


@dataclass(frozen=True, slots=True, eq=False)
class StagePaths:
    """A stage not reached yet: what each path still needs and when it gets there.

    `need` (paths,) is the sum of the likely rate still wanted, `arrival_h` (paths,) when it is
    had [h from now], infinite where not within the paths.
    """

    stage: Stage
    pace: Pace
    need: Floats
    arrival_h: Floats


def stage_paths(rates: CureRates, state: CureState, ahead: PartAhead) -> tuple[StagePaths, ...]:
    """Return every stage that is yet to come, in order; none arrives before the one before it."""
    found: list[StagePaths] = []
    earliest_h = np.zeros(ahead.course.temps_c.shape[0])
    for (stage, pace), now in zip(rates.stages, state.stages, strict=True):
        if now.reached_at is not None:
            continue
        own = _own_pace(pace, stage, state.gel_ratio)
        need = _need(own, now, ahead.course)
        arrival_h = np.maximum(_arrival_h(own, need, ahead.course), earliest_h)
        earliest_h = arrival_h
        found.append(StagePaths(stage, own, need, arrival_h))
    return tuple(found)


def stages_ahead(paths: tuple[StagePaths, ...], ahead: PartAhead) -> tuple[StageAhead, ...]:
    """Return when each stage comes, with its odds."""
    return tuple(StageAhead(one.stage, arrival(one.arrival_h, ahead.at)) for one in paths)


def arrival(arrival_h: Floats, at: datetime) -> Arrival:
    """Return when something comes that each path has at its own hour [h from `at`]; infinite is never."""
    order = np.sort(arrival_h)
    n = order.size

    def by(share: float) -> datetime | None:
        hours = float(order[min(int(share * n), n - 1)])
        return at + timedelta(hours=hours) if np.isfinite(hours) else None

    return Arrival(by(_EARLY), by(_LIKELY), by(_LATE), float(np.mean(np.isfinite(order))))


def ready(
    paths: tuple[StagePaths, ...], state: CureState, ahead: PartAhead | None, wanted: Wanted
) -> Ready | None:
    """Return the odds that the stage wanted is there at the hour wanted; None if the card lacks it."""
    now = next((stage for stage in state.stages if stage.stage is wanted.stage), None)
    if now is None:
        return None
    if now.reached_at is not None:
        return Ready(wanted, 1.0 if now.reached_at <= wanted.at else 0.0, reached=True)
    if ahead is None or wanted.at > ahead.until:
        return Ready(wanted, None, reached=False)
    one = next(stage for stage in paths if stage.stage is wanted.stage)
    within_h = (wanted.at - ahead.at) / timedelta(hours=1)
    return Ready(wanted, float(np.mean(one.arrival_h <= within_h)) if within_h > 0.0 else 0.0, reached=False)


def recoat_ahead(
    rates: CureRates, state: CureState, ahead: PartAhead
) -> tuple[Arrival | None, Arrival | None]:
    """Return when the recoat window opens and closes; None for an edge that is past, or on no card."""
    edges: list[Arrival | None] = []
    for pace, moment in ((rates.opens, state.opens), (rates.closes, state.closes)):
        if pace is None or moment is None or (moment.likely_at is not None and moment.likely_at <= state.at):
            edges.append(None)
            continue
        edges.append(_edge_ahead(pace, state, moment.likely_at, ahead))
    return edges[0], edges[1]


def _edge_ahead(pace: Pace, state: CureState, likely_at: datetime | None, ahead: PartAhead) -> Arrival:
    """Turn the moment reckoned at the last hours' warmth back into what the edge still needs."""
    if likely_at is None:  # too cold of late to tell how much of it is had
        return Arrival(None, None, None)
    left_h = (likely_at - state.at) / timedelta(hours=1)
    need = float(np.clip(left_h * pace.likely.per_h(state.warmth.last_hours_c), 0.0, 1.0))
    return arrival(_arrival_h(pace, need / _factor(pace, ahead.course), ahead.course), ahead.at)


def coldest_ahead(ahead: PartAhead, until: datetime | None) -> ColdestHour | None:
    """Return the coldest hour of the part until a moment (or for a day); None if that is within the hour."""
    span_h = _NIGHT_H if until is None else (until - ahead.at) / timedelta(hours=1)
    steps = int(np.searchsorted(ahead.course.elapsed_h, min(span_h, ahead.course.end_h), side="right"))
    if steps < 2 or ahead.course.elapsed_h[steps - 1] < 1.0:  # noqa: PLR2004  an hour needs two ends
        return None
    times, temps = ahead.course.elapsed_h[:steps], ahead.course.temps_c[:, :steps]
    cold = extreme_hours(course(times, temps)).coldest_c
    middle = extreme_hours(course(times, np.median(temps, axis=0)))
    low, likely, high = (float(x) for x in np.quantile(cold, (_EARLY, _LIKELY, _LATE)))
    return ColdestHour(
        low,
        likely,
        high,
        ahead.at + timedelta(hours=float(middle.coldest_h[0])),
        ahead.at + timedelta(hours=float(times[-1])),
    )


def dew_ahead(paths: tuple[StagePaths, ...], ahead: PartAhead) -> Dew | None:
    """Return the odds of dew while the surface is wet: up to tack-free, or gel on a card without it.

    None where the surface is dry already or the margin is not forecast.
    """
    wet = [one for one in paths if one.stage in {Stage.GEL, Stage.TACK_FREE}]
    if not wet or ahead.margin_k is None:
        return None
    times = ahead.course.elapsed_h
    dewy = (ahead.margin_k < 0.0) & (times[None, :] <= wet[-1].arrival_h[:, None])
    first_h = np.where(dewy.any(axis=1), times[dewy.argmax(axis=1)], _NEVER_H)
    when = arrival(first_h, ahead.at)
    return Dew(float(np.mean(np.isfinite(first_h))), when.earliest_at, when.likely_at)


def _own_pace(pace: Pace, stage: Stage, gel_ratio: float | None) -> Pace:
    """Return the band that a gel seen early or late leaves to the later stages."""
    if gel_ratio is None or stage is Stage.GEL or not believable_gel(gel_ratio):
        return pace
    return pace.widened(gel_ratio)


@cache
def _quickness(paths: int) -> Floats:
    """Return each path's quickness in standard deviations: evenly over the bell, in an order of its own."""
    bell = NormalDist()
    z = np.array([bell.inv_cdf((k + 0.5) / paths) for k in range(paths)])
    return np.random.default_rng(paths).permutation(z)


def _factor(pace: Pace, ahead: Course) -> Floats:
    """Return how many times as quick as likely each path's batch is (paths,)."""
    soon = ahead.elapsed_h <= ahead.start_h + _SPREAD_H
    temp_c = max(float(ahead.temps_c[:, soon].mean()), pace.floor_c)
    quick, likely, slow = (float(rate.per_h(temp_c)) for rate in (pace.quick, pace.likely, pace.slow))
    z = _quickness(ahead.temps_c.shape[0]) / _Z_90
    return np.asarray(np.where(z > 0.0, (quick / likely) ** z, (likely / slow) ** z))


def _need(pace: Pace, now: StageState, ahead: Course) -> Floats:
    """Return what each path still needs of the likely rate: its own remainder over its own quickness."""
    z = _quickness(ahead.temps_c.shape[0]) / _Z_90
    edge = np.where(z > 0.0, now.progress_high - now.progress, now.progress - now.progress_low)
    done = np.clip(now.progress + z * edge, 0.0, 1.0)
    return np.asarray((1.0 - done) / _factor(pace, ahead))


def _arrival_h(pace: Pace, need: Floats, ahead: Course) -> Floats:
    """Return when each path has had what it needs; infinite where not within the course."""
    most = max(float(np.max(need)), 1e-9)
    hours = reached_h(ahead, pace.likely.times(1.0 / most), already=np.clip(1.0 - need / most, 0.0, 1.0))
    return np.where(np.isnan(hours), _NEVER_H, hours)
