"""Start odds beside a plain loop over paths and starts, which is slow and cannot be wrong."""

from datetime import UTC, datetime, timedelta
from math import ceil, floor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.clock import to_us
from forecast.bay_air import BayAir, bay_air, broken, next_step
from forecast.card import Stage
from forecast.card_files import find_card
from forecast.course import course
from forecast.cure import reached_h
from forecast.job import Job, JobLimits
from forecast.job_pace import JobPace, job_pace, job_resin
from forecast.limits import LIMITS as REASONS
from forecast.limits import Limit
from forecast.mix import WORKABLE_SHARE
from forecast.past import Array
from forecast.start_odds import StartOdds, job_steps, start_odds

STEPS, PATHS = 60, 5
CARD = find_card("generic-vinyl-ester")
LIMITS = JobLimits(part_min_c=16.0, part_max_c=24.0, humidity_max_pct=70.0)


def paths_of(seed: int) -> dict[tuple[str, str], Array]:
    random = np.random.default_rng(seed)

    def wandering(level: float, step: float) -> Array:
        return np.asarray(level + (step * random.standard_normal((PATHS, STEPS))).cumsum(axis=1))

    part = np.clip(wandering(18.0, 0.4), 5.0, 35.0)
    return {
        ("keel", "air_c"): part + 1.0,
        ("keel", "part_c"): part,
        ("keel", "humidity_pct"): np.clip(wandering(65.0, 1.0), 20.0, 99.0),
    }


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 12), st.integers(0, 6))
def test_without_a_card_a_start_holds_where_every_step_of_the_job_does(
    seed: int, work: int, ready: int
) -> None:
    paths = paths_of(seed)
    air = bay_air(paths, 600_000_000 * np.arange(STEPS, dtype=np.int64), "keel")
    assert air is not None
    found = start_odds(air, Job("lay", 10.0 * work, 10.0 * ready, limits=LIMITS), None)
    assert found is not None
    part, humidity = paths["keel", "part_c"], paths["keel", "humidity_pct"]
    for start in range(len(found)):
        end = start + ready + work + 1
        warm = (part[:, start + ready : end] >= 16.0) & (part[:, start + ready : end] <= 24.0)
        dry = humidity[:, start:end] <= 70.0
        holds = warm.all(axis=1) & dry.all(axis=1)
        assert np.array_equal(found.holds[:, start], holds)
    assert np.allclose(found.odds + found.lost.sum(axis=0), 1.0)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_with_a_card_the_limits_hold_until_the_gel_that_the_cure_sums_give(seed: int) -> None:
    """One pot, laid in ten minutes: gel by `forecast.cure`, each path a batch as quick as it was drawn."""
    paths = paths_of(seed)
    job = Job("lay", 10.0, card=CARD, catalyst_pct=2.0, limits=LIMITS)
    air = bay_air(paths, 600_000_000 * np.arange(STEPS, dtype=np.int64), "keel")
    resin = job_resin(job)
    assert air is not None
    assert resin is not None
    found = start_odds(air, job, job_pace(resin, air))
    assert found is not None
    limits = job.all_limits
    part, humidity, outer = (paths["keel", name] for name in ("part_c", "humidity_pct", "air_c"))
    gel = resin.pace_of(Stage.GEL).likely
    sums = job_pace(resin, air).gel
    hours = np.arange(STEPS) / 6.0
    holds = (part >= limits.part_min_c) & (part <= limits.part_max_c) & (humidity <= limits.humidity_max_pct)
    holds &= (outer >= limits.air_min_c) & (outer <= limits.air_max_c)
    for row in range(PATHS):
        own = course(hours, part[row])
        # how quick this path's batch is beside the sheet
        quick = sums[row, -1] / max(float(reached_sum(hours, part[row], gel)), 1e-9)
        for start in range(0, len(found) - 1, 7):
            gel_h = reached_h(own, gel.times(quick), from_h=float(hours[start]))[0]
            if np.isnan(gel_h) or abs(gel_h * 6.0 - round(gel_h * 6.0)) < 0.05:
                continue  # on a step's very edge either may be right
            last = int(np.floor(gel_h * 6.0))
            dry = not_wet(part[row], outer[row], humidity[row], limits.margin_min_k)
            expected = bool((holds[row] & dry)[start : max(last, start + 1) + 1].all())
            early = found.lost[8, start] > 0.0  # a pot that sets within ten minutes fails otherwise
            assert early or found.holds[row, start] == expected


def reached_sum(hours: Array, temps_c: Array, rate: object) -> float:
    """Return the whole sum of a rate over a course, straight between its samples."""
    per_h = rate.per_h(temps_c)  # type: ignore[attr-defined]
    return float(((per_h[1:] + per_h[:-1]) / 2.0 * np.diff(hours)).sum())


def not_wet(part_c: Array, air_c: Array, humidity_pct: Array, least_k: float) -> Array:
    from forecast.air import margin_k

    return np.asarray(margin_k(part_c, air_c, humidity_pct) >= least_k)


@given(st.lists(st.booleans(), min_size=1, max_size=40))
def test_the_next_step_is_the_first_true_one_from_each_on(found: list[bool]) -> None:
    steps = next_step(np.array([found]))[0]
    for place in range(len(found) + 1):
        later = [one for one in range(place, len(found)) if found[one]]
        assert steps[place] == (later[0] if later else len(found))


MIDNIGHT = datetime(2026, 4, 2, tzinfo=UTC)
TEN_MIN = timedelta(minutes=10)


def night(seed: int, steps: int = STEPS) -> BayAir:
    """The wandering paths from midnight on."""
    times_us = to_us(MIDNIGHT) + 600_000_000 * np.arange(steps, dtype=np.int64)
    air = bay_air({unit: values[:, :steps] for unit, values in paths_of(seed).items()}, times_us, "keel")
    assert air is not None
    return air


def invented_pace(seed: int, *, staged: bool, blushes: bool, stalling: bool) -> JobPace:
    """Sums that rise by chance: gel in some two hours, a stage in five, now and then a stall."""
    random = np.random.default_rng(seed)

    def sums(steps_to_one: float) -> Array:
        grown = np.zeros((PATHS, STEPS + 1))
        grown[:, 1:] = random.uniform(0.5, 1.5, (PATHS, STEPS)).cumsum(axis=1) / steps_to_one
        return grown

    return JobPace(
        sums(random.uniform(3.0, 20.0)),
        random.uniform(0.7, 1.4, STEPS),
        np.full(STEPS, 1.5),
        sums(random.uniform(15.0, 40.0)) if staged else None,
        sums(random.uniform(10.0, 25.0)) if blushes else None,
        next_step(random.uniform(size=(PATHS, STEPS)) < 0.03) if stalling else None,
    )


class Plain:
    """One path and one start of a job, judged in words; steps are numbers of ten minutes."""

    def __init__(self, air: BayAir, job: Job, pace: JobPace, path: int, start: int) -> None:
        self.air, self.job, self.pace, self.path, self.start = air, job, pace, path, start
        self.laid_from = start + round(job.prepare_min / 10)
        self.end = self.laid_from + ceil(job.work_min / 10)
        self.last_mixed = self.end - job.pot_min / 10
        self.speed = float(pace.speed_ratio[self.laid_from])

    def grown(self, sums: Array, since: float, until: float) -> float:
        """How much a sum grows between two moments."""
        low, high = np.interp([since, until], np.arange(STEPS + 1), sums[self.path])
        return float(high - low)

    def breaks(self, step: int) -> tuple[Limit | None, Limit | None]:
        """Which limit of moisture, and which of warmth, is broken at a step."""
        assert self.air.humidity_pct is not None
        part, damp = self.air.part_c[self.path, step], self.air.humidity_pct[self.path, step]
        cold = Limit.PART_COLD if part < LIMITS.part_min_c else None
        hot = Limit.PART_HOT if part > LIMITS.part_max_c else None
        return Limit.HUMIDITY if damp > LIMITS.humidity_max_pct else None, cold or hot

    def first_break(self, *, damp: bool, warm: bool) -> tuple[int, Limit]:
        """When a limit is broken next: moisture from the start on, warmth from the first pot on."""
        for step in range(self.start, STEPS):
            wet, cold = self.breaks(step)
            if (damp and wet) or (warm and cold and step >= self.laid_from):
                return step, wet or cold or Limit.NONE
        return STEPS, Limit.HORIZON

    def failures(self) -> list[tuple[int, Limit]]:
        """All that fails, and when."""
        pace, found = self.pace, []
        kinds = [(True, True, pace.gel, self.speed)]
        if pace.tack_free is not None:
            kinds = [(False, True, pace.gel, self.speed), (True, False, pace.tack_free, 1.0)]
        for damp, warm, sums, speed in kinds:
            step, limit = self.first_break(damp=damp, warm=warm)
            if step <= self.end or self.grown(sums, self.last_mixed, step) * speed < 1.0:
                found.append((step, limit))
        for pot in range(self.job.layers):
            mixed, empty = (
                self.laid_from + n * self.job.work_min / self.job.layers / 10 for n in (pot, pot + 1)
            )
            if self.grown(pace.gel, mixed, empty) * self.speed > WORKABLE_SHARE:
                found.append((ceil(empty), Limit.WORK_TIME))
        return found + (self.stage_failures() if self.job.stage else [])

    def stage_failures(self) -> list[tuple[int, Limit]]:
        """The stage wanted comes too late or never."""
        sums, speed = (self.pace.stage, 1.0) if self.pace.stage is not None else (self.pace.gel, self.speed)
        found, due = [], self.due()
        if due is not None and self.grown(sums, self.last_mixed, min(due, STEPS)) * speed < 1.0:
            found.append((min(due, STEPS), Limit.HORIZON if due >= STEPS else Limit.STAGE_LATE))
        if self.pace.stalls is not None:
            stall = int(self.pace.stalls[self.path, ceil(self.last_mixed)])
            if stall < STEPS and self.grown(sums, self.last_mixed, stall) < 1.0:
                found.append((stall, Limit.STALL))
        return found

    def due(self) -> int | None:
        """The last step by which the stage may come; 0 where every moment named has passed."""
        if self.job.within_h is not None:
            return self.start + floor(self.job.within_h * 6)
        if not self.job.by:
            return None
        later = [moment for moment in self.job.by if moment >= MIDNIGHT + self.end * TEN_MIN]
        return (min(later) - MIDNIGHT) // TEN_MIN if later else 0

    def first_failure(self) -> Limit:
        """What fails first; moisture and warmth are named before a pot, a pot before a stage."""
        failures = self.failures()
        return min(failures, key=lambda one: one[0])[1] if failures else Limit.NONE


JOBS = st.builds(
    Job,
    st.just("lay"),
    st.sampled_from([5.0, 25.0, 40.0, 75.0, 120.0]),
    st.sampled_from([0.0, 13.0, 27.0, 40.0]),
    st.just(CARD),
    layers=st.sampled_from([1, 2, 4]),
    stage=st.sampled_from([None, Stage.GEL, Stage.SANDABLE]),
    by=st.lists(st.integers(0, 700).map(lambda m: MIDNIGHT + timedelta(minutes=m)), max_size=3).map(tuple),
    within_h=st.sampled_from([None, None, 3.0, 4.6, 6.0]),
)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10_000), job=JOBS, blushes=st.booleans(), stalling=st.booleans())
def test_what_fails_first_on_each_path_is_what_a_plain_loop_finds(
    seed: int, job: Job, *, blushes: bool, stalling: bool
) -> None:
    air = night(seed)
    pace = invented_pace(seed, staged=job.stage is Stage.SANDABLE, blushes=blushes, stalling=stalling)
    found = start_odds(air, job, pace, broken(air, LIMITS))
    assert found is not None
    assert len(found) == STEPS - ceil(job.work_min / 10) - round(job.prepare_min / 10)
    for start in range(seed % 3, len(found), 3):
        first = [Plain(air, job, pace, path, start).first_failure() for path in range(PATHS)]
        assert found.holds[:, start].tolist() == [limit is Limit.NONE for limit in first]
        shares = [0.0 if limit is Limit.NONE else first.count(limit) / PATHS for limit in REASONS]
        assert found.lost[:, start] == pytest.approx(shares)
        assert found.odds[start] == pytest.approx(first.count(Limit.NONE) / PATHS)


def test_a_job_that_fills_the_paths_but_for_a_step_has_one_start_and_a_longer_one_none() -> None:
    """Each job ends on a step, so 5 min take one and 25 min three; preparation is rounded to steps."""
    assert [job_steps(Job("lay", work, 24.0)) for work in (5.0, 10.0, 25.0)] == [(2, 3), (2, 3), (2, 5)]
    air = night(1, steps=12)
    one = start_odds(air, Job("lay", 110.0), None)
    assert one is not None
    assert one.times_us.tolist() == [to_us(MIDNIGHT)]
    assert start_odds(air, Job("lay", 120.0), None) is None


def test_what_binds_is_what_most_failing_paths_fail_by_however_few_they_are() -> None:
    lost = np.zeros((len(REASONS), 3))
    lost[REASONS.index(Limit.HUMIDITY), 1:] = 0.02
    lost[REASONS.index(Limit.STALL), 1:] = 0.01, 0.05
    found = StartOdds(np.arange(3), 1.0 - lost.sum(axis=0), lost, np.ones((1, 3), dtype=np.bool_))
    assert [found.binds(start) for start in range(3)] == [Limit.NONE, Limit.HUMIDITY, Limit.STALL]
