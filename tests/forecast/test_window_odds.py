"""Odds learned from what has held: honest about time, humble with little experience."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import from_us
from forecast.blend import Starts, replayed
from forecast.forecaster import Forecaster, refit_steps
from forecast.hindcast import Plan, plan_for
from forecast.hindcast import replayed as replayed_mix
from forecast.job import Job, JobLimits
from forecast.learned_odds import LearnedOdds
from forecast.past import DAY_STEPS, STEP_US, Array, History, read_csv, thin
from forecast.paths import Forecast
from forecast.start_odds import StartOdds
from forecast.voices import BayPast, Hold, Voices
from forecast.window import Terms, windows
from forecast.window_hindcast import hindcast_windows

TWO_WEEKS = Path(__file__).parent.parent / "vectors" / "house_belgium_2_weeks.csv.gz"


@cache
def kitchen() -> History:
    """Return one room of two measured weeks."""
    whole = read_csv(TWO_WEEKS)
    bay = whole.bays[0]
    names = [f"{bay}.air_c", f"{bay}.humidity_pct", "outdoor.air_c", "outdoor.humidity_pct"]
    columns = {name: whole.columns[name] for name in names if name in whole.columns}
    return replace(whole, columns=columns)


def hold() -> Hold:
    """Four hours within limits that are kept about half the time."""
    air, humidity = (one for name, one in kitchen().columns.items() if name.startswith(kitchen().bays[0]))
    return Hold(
        JobLimits(air_min_c=float(np.quantile(air, 0.3)), humidity_max_pct=float(np.quantile(humidity, 0.7))),
        8,
    )


def points(history: History) -> dict[str, Array]:
    found = replayed_mix(history, Plan(0, len(history)))
    return {quantity: one for (_, quantity), one in found.items()}


def test_a_dip_between_two_half_hours_breaks_a_limit() -> None:
    """The grid's own values hold, the reading in between does not."""
    minutes = np.arange(0, 301, 10)
    air = np.where(minutes == 130, 10.0, 20.0)
    history = thin(minutes * 60_000_000, {"keel.air_c": air})
    held = BayPast(history, "keel").held(Hold(JobLimits(air_min_c=16.0), 2))
    # the half hour from 120 to 150 min fails every start whose hour contains it
    assert held[:9].tolist() == [1.0, 1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0]
    assert np.isnan(held[9:]).all()


def test_what_was_not_measured_neither_held_nor_failed() -> None:
    air = np.full(12, 20.0)
    air[5] = np.nan
    history = History(STEP_US * np.arange(12, dtype=np.int64), {"keel.air_c": air}, {})
    held = BayPast(history, "keel").held(Hold(JobLimits(air_min_c=16.0), 2))
    assert np.flatnonzero(np.isnan(held)).tolist() == [3, 4, 5, 10, 11]


def test_voices_look_at_nothing_after_their_origin() -> None:
    """Another future gives the same odds."""
    history = kitchen()
    origin = 12 * DAY_STEPS
    mix = points(history)
    changed = {
        name: np.where(np.arange(len(one)) > origin, one + 9.0, one) for name, one in history.columns.items()
    }
    other = replace(history, columns=changed)
    refits = refit_steps(0, origin)
    bay = history.bays[0]
    first = Voices(BayPast(history, bay), mix, refits, hold().steps).at(origin, hold())
    second = Voices(BayPast(other, bay), mix, refits, hold().steps).at(origin, hold())
    assert first is not None
    assert second is not None
    assert np.array_equal(first[0], second[0])
    assert np.array_equal(first[1], second[1])


def starts(odds: Array, held: Array) -> Starts:
    count = len(held)
    return Starts(2 * np.arange(count), 8, odds, np.zeros((count, 1)), held)


def test_odds_given_at_a_time_depend_on_nothing_known_later() -> None:
    random = np.random.default_rng(1)
    odds = random.random((1500, 3))
    held = (random.random(1500) < odds.mean(axis=1)).astype(np.float64)
    later = held.copy()
    later[1000:] = 1.0 - later[1000:]
    first, _ = replayed(starts(odds, held))
    second, _ = replayed(starts(odds, later))
    assert np.array_equal(first[:1000], second[:1000])


def test_without_experience_the_voices_share_evenly_and_low_odds_are_lifted_a_little() -> None:
    odds = np.array([[0.8, 0.6, 0.4]] * 10)
    found, blend = replayed(starts(odds, np.full(10, np.nan)))
    # three voices, and twice the mean of the first and the last
    pooled = (0.8 + 0.6 + 0.4 + 0.6 + 0.6) / 5
    logit = np.log(pooled / (1.0 - pooled)) + blend.bends_logit[0] * (1.0 - pooled) ** 2
    assert found == pytest.approx(1.0 / (1.0 + np.exp(-logit)))
    assert blend.bends_logit[0] > 0.0
    assert blend.bends_logit[1] == 0.0


@pytest.mark.parametrize(("share", "sign"), [(0.5, 1.0), (0.02, -1.0)])
def test_how_low_odds_are_lifted_is_learned_from_what_held(share: float, sign: float) -> None:
    """All voices say 20 %; where it holds more often the lift grows, where hardly ever it turns round."""
    held = (np.random.default_rng(3).random(600) < share).astype(float)
    _, none = replayed(starts(np.full((10, 3), 0.2), np.full(10, np.nan)))
    _, blend = replayed(starts(np.full((600, 3), 0.2), held))
    assert sign * (blend.bends_logit[0] - none.bends_logit[0]) > 0.0


@pytest.mark.parametrize(("share", "sign"), [(0.8, 1.0), (0.2, -1.0)])
def test_middling_odds_are_moved_either_way_by_what_held_and_sure_ones_are_left(
    share: float, sign: float
) -> None:
    """Half of the starts are said to hold with 50 %, half with 99 %; the sure ones hold as said."""
    odds = np.tile([[0.5] * 3, [0.99] * 3], (400, 1))
    random = np.random.default_rng(4)
    held = (random.random(800) < np.where(odds[:, 0] > 0.9, 0.99, share)).astype(float)
    found, blend = replayed(starts(odds, held))
    assert sign * blend.bends_logit[1] > 0.1
    assert sign * (found[-2:].min() - 0.5) > 0.1
    assert found[-200:].max() > 0.95


def test_the_voice_that_is_right_is_heard() -> None:
    random = np.random.default_rng(2)
    truth = random.random(2000)
    held = (random.random(2000) < truth).astype(np.float64)
    odds = np.column_stack([truth, random.random(2000), random.random(2000)])
    _, blend = replayed(starts(odds, held))
    assert blend.weights[0] > 0.5


def test_odds_that_were_too_sure_become_honest() -> None:
    """All voices say 95 %, 60 % hold: after some weeks the odds are about 60 %."""
    random = np.random.default_rng(3)
    held = (random.random(3000) < 0.6).astype(np.float64)
    odds = np.full((3000, 3), 0.95) - random.random((3000, 3)) * 0.02
    found, _ = replayed(starts(odds, held))
    assert found[-300:].mean() == pytest.approx(0.6, abs=0.1)


@given(st.integers(0, 1000), st.integers(1, 400))
def test_odds_stay_odds(seed: int, count: int) -> None:
    random = np.random.default_rng(seed)
    held = np.where(random.random(count) < 0.1, np.nan, (random.random(count) < 0.5) * 1.0)
    found, blend = replayed(starts(random.random((count, 3)), held))
    assert ((found >= 0.0) & (found <= 1.0)).all()
    assert blend.weights.sum() == pytest.approx(1.0)


def test_a_hindcast_of_decisions_counts_what_a_hand_would() -> None:
    """Base rate and the meter rule's share are counted here once more from the readings themselves."""
    history = kitchen()
    plan = plan_for(history, 10 * DAY_STEPS)
    found = hindcast_windows(history, plan, hold(), 0.9)["windows"][history.bays[0]]
    past = BayPast(history, history.bays[0])
    held, fine = past.held(hold()), past.fine(hold())
    steps = np.arange(plan.start, plan.end, 2)
    steps = steps[np.isfinite(held[steps])]
    assert found["n"] == len(steps)
    assert found["base_rate"] == pytest.approx(held[steps].mean())
    assert found["meter_rule"]["wrong"] == pytest.approx(1.0 - held[steps][fine[steps] == 1.0].mean())
    assert sum(tenth["n"] for tenth in found["reliability"]) == found["n"]


def test_a_shed_whose_odds_were_too_sure_gets_its_own_odds_corrected() -> None:
    """Paths that know nothing of the damp that comes each noon: what held since says so."""
    history = kitchen()
    forecaster = Forecaster()
    now = from_us(int(history.times_us[-1]))
    found = forecaster.refresh(history, now)
    sure = {
        unit: np.full_like(one, 30.0 if unit[1] == "humidity_pct" else 25.0)
        for unit, one in found.paths.items()
    }
    bay, job = history.bays[0], Job("lay", 240.0, limits=hold().limits)
    too_sure = Forecast(now, found.times_us, sure)
    learned = LearnedOdds(history, forecaster.points)
    (raw,) = windows(too_sure, [job], [bay])
    (better,) = windows(too_sure, [job], [bay], Terms(recalibrate=learned))
    assert raw.starts is not None
    assert better.starts is not None
    assert (raw.starts.odds == 1.0).all()
    soon, late = better.starts.odds[:36], better.starts.odds[60:]
    assert (late == 1.0).all()  # beyond some hours nothing is corrected
    assert (soon != 1.0).any()
    assert ((soon > 0.0) & (soon < 1.0 + 1e-9)).all()


def test_nothing_is_corrected_where_too_little_has_been_seen() -> None:
    history = kitchen().until(4 * DAY_STEPS)
    mix = {(history.bays[0], quantity): one for quantity, one in points(history).items()}
    learned = LearnedOdds(history, mix)
    odds = np.linspace(0.0, 1.0, 200)
    starts_now = StartOdds(
        int(history.times_us[-1]) + 600_000_000 * np.arange(200), odds, odds[None], odds[None] > 0
    )
    job = Job("lay", 240.0, limits=hold().limits)
    assert np.array_equal(learned(history.bays[0], job, starts_now), odds)
