"""Hours said at bedtime: a perfect forecaster never errs, and a room's nights are counted by hand."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forecast.baselines import lagged
from forecast.cure_hindcast import Evening, Night, cure_nights, hindcast_cures, night_scores
from forecast.experts import KNOTS
from forecast.hindcast import Plan, Work
from forecast.past import AHEAD_STEPS, DAY_STEPS, STEP_US, Array, History, read_csv
from forecast.rate import arrhenius_rate

TWO_WEEKS = Path(__file__).parent.parent / "vectors" / "house_belgium_2_weeks.csv.gz"
UNIT = ("keel", "part_c")
RATE = arrhenius_rate(8000.0, 23.0, 8.0)  # a stage that takes 8 h at 23 °C
EVENINGS = [Evening(day * DAY_STEPS, day * DAY_STEPS + 8) for day in range(34, 38)]  # to bed after 4 h


def a_room(part_c: Array) -> History:
    return History(STEP_US * np.arange(len(part_c), dtype=np.int64), {"keel.part_c": part_c}, {})


def same_days(count: int = 41) -> Array:
    """Return days that are all alike: 17 °C, 3 °C up and down."""
    return 17.0 + 3.0 * np.sin(2.0 * np.pi * np.arange(count * DAY_STEPS) / DAY_STEPS)


def said_of(part_c: Array, off_k: float = 0.0) -> Array:
    """Return what a forecaster says that is off by so much, and perfect at 0."""
    return np.stack([lagged(part_c, -knot) for knot in KNOTS]) + off_k


def by_hand_h(part_c: Array, evening: Evening) -> float:
    """Step by step of a minute, the trapezium way: hours from laying to the stage."""
    minutes = np.arange(0, 60 * 72)
    temps = np.interp(minutes / 30.0, np.arange(AHEAD_STEPS), part_c[evening.laid :][:AHEAD_STEPS])
    rate = RATE.per_h(temps)
    had = np.concatenate(([0.0], np.cumsum((rate[1:] + rate[:-1]) / 2.0 / 60.0)))
    return float(np.interp(1.0, had, minutes / 60.0))


def test_a_perfect_forecaster_of_equal_days_is_right_to_the_minute() -> None:
    part_c = same_days()
    nights = cure_nights(a_room(part_c), UNIT, {UNIT: said_of(part_c)}, RATE, EVENINGS)
    assert len(nights) == len(EVENINGS)
    came_h = by_hand_h(part_c, EVENINGS[0]) - 4.0
    for night in nights:
        assert night.came_h == pytest.approx(came_h, abs=0.01)  # the rate's table and straight lines
        assert night.said_h == pytest.approx([night.came_h] * 3, abs=1e-6)
    assert night_scores(nights)["median_error_min"] == pytest.approx(0.0, abs=1e-4)


def test_a_forecaster_that_sees_too_warm_says_too_early() -> None:
    part_c = same_days()
    warm, cold = (
        night_scores(cure_nights(a_room(part_c), UNIT, {UNIT: said_of(part_c, off_k)}, RATE, EVENINGS))
        for off_k in (3.0, -3.0)
    )
    assert warm["bias_min"] < -30.0
    assert cold["bias_min"] > 30.0


def test_a_night_nobody_measured_is_not_scored() -> None:
    """One half hour may be missing, two in a row are an hour of which nothing is known."""
    part_c, points = same_days(), {UNIT: said_of(same_days())}
    missing = part_c.copy()
    missing[EVENINGS[1].bed + 5] = np.nan
    assert len(cure_nights(a_room(missing), UNIT, points, RATE, EVENINGS[:2])) == 2
    missing[EVENINGS[1].bed + 6] = np.nan
    assert len(cure_nights(a_room(missing), UNIT, points, RATE, EVENINGS[1:2])) == 0
    at_the_end = [Evening(len(part_c) - AHEAD_STEPS - 8, len(part_c) - AHEAD_STEPS)]
    assert cure_nights(a_room(part_c), UNIT, points, RATE, at_the_end) == []
    assert cure_nights(a_room(part_c), UNIT, points, RATE, []) == []


def test_only_cures_that_were_still_open_at_bedtime_count() -> None:
    """One there before bedtime and one that never comes tell nothing about what was said."""
    open_one, there, never = (
        Night((7.0, 8.0, 9.0), 9.5),
        Night((0.0, 0.0, 0.0), 0.0),
        Night((7.0, 8.0, 9.0), np.inf),
    )
    found = night_scores([open_one, there, never])
    assert found == {"n": 1, "median_error_min": 90.0, "bias_min": -90.0, "cover80": 0.0}
    assert night_scores([there, never]) == {"n": 0}
    unsaid = night_scores([Night((np.inf, np.inf, np.inf), 9.5)])
    assert unsaid["bias_min"] is None


def test_a_measured_room_is_scored_over_the_nights_a_hand_counts() -> None:
    """Its air stands in for a part; of the evenings in the plan, those whose stage came after bedtime."""
    whole = read_csv(TWO_WEEKS)
    bay = whole.bays[0]
    air = whole.columns[f"{bay}.air_c"]
    history = replace(whole, columns={f"{bay}.air_c": air}, lows={}, highs={}, within={})
    plan = Plan(8 * DAY_STEPS, len(history))
    evenings = [Evening(day * DAY_STEPS, day * DAY_STEPS + 4) for day in range(6, 11)]
    found = hindcast_cures(history, plan, RATE, evenings, Work())["cures"][bay]
    kept = [one for one in evenings if one.bed >= plan.start]
    assert np.isfinite(air[kept[0].laid :]).all()
    assert found["n"] == sum(2.0 < by_hand_h(air, one) < 72.0 for one in kept) == 3
    assert found["median_error_min"] < 120.0  # a heated room: an hour or two at the most


def test_a_bay_without_air_or_part_has_no_nights() -> None:
    room = History(
        STEP_US * np.arange(41 * DAY_STEPS, dtype=np.int64), {"keel.humidity_pct": same_days()}, {}
    )
    found = hindcast_cures(room, Plan(7 * DAY_STEPS, 8 * DAY_STEPS), RATE, EVENINGS, Work())
    assert found["cures"] == {"keel": {"n": 0}}
