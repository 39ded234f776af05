"""Start odds beside a plain loop over paths and starts, which is slow and cannot be wrong."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.bay_air import bay_air, next_step
from forecast.card import Stage
from forecast.card_files import find_card
from forecast.course import course
from forecast.cure import reached_h
from forecast.job import Job, JobLimits
from forecast.job_pace import job_pace, job_resin
from forecast.past import Array
from forecast.start_odds import start_odds

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
