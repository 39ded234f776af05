"""A forecaster that is asked again and again: what it keeps, what it doubts, and how its mix is guarded."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from collector.clock import from_us, to_us
from collector.errors import InputError
from forecast.baselines import lagged
from forecast.doubts import trusted
from forecast.experts import EXPERT_NAMES, KNOTS, NAIVE
from forecast.features import Features
from forecast.forecaster import Forecaster, forecast
from forecast.past import AHEAD_STEPS, DAY_STEPS, STEP_US, Array, History, moved, thin
from forecast.paths import BEYOND_K
from forecast.spread import TAIL_ODDS, Pool, Spread, unrest
from forecast.weighing import matured_means, matured_means_by_hour, mixed

START_US = to_us(datetime(2026, 3, 20, tzinfo=UTC))  # ten days before the European clock change


def _shed(days: float, bays: tuple[str, ...] = ("keel",), seed: int = 1) -> History:
    """Air with a daily course and wandering weather: made up, for identities only."""
    random = np.random.default_rng(seed)
    steps = np.arange(int(days * DAY_STEPS))
    weather = np.cumsum(random.normal(0, 0.15, len(steps)))
    outdoors = 8 + 4 * np.sin(steps * 2 * np.pi / DAY_STEPS) + weather
    columns: dict[str, Array] = {"outdoor.air_c": outdoors}
    for place, bay in enumerate(bays):
        columns[f"{bay}.air_c"] = lagged(outdoors, place) + 6 + random.normal(0, 0.2, len(steps))
    return History(START_US + STEP_US * steps, columns, {})


def _end(history: History) -> datetime:
    return from_us(int(history.times_us[-1]))


def _likely(found: dict[tuple[str, str], Array], unit: tuple[str, str]) -> Array:
    middle: Array = np.median(found[unit], axis=0)
    return middle


def test_asked_again_at_the_same_moment_it_says_the_same() -> None:
    shed = _shed(12)
    asked = Forecaster()
    first, again = asked.refresh(shed, _end(shed)), asked.refresh(shed, _end(shed))
    cold = forecast(shed, _end(shed))
    for unit, paths in first.paths.items():
        assert np.array_equal(paths, again.paths[unit])
        assert np.array_equal(paths, cold.paths[unit])


def test_between_refits_it_says_what_fits_of_then_say_of_now() -> None:
    """Two ways to the same place: refreshed every half hour, or six half hours at once."""
    shed = _shed(16)
    start = 15 * DAY_STEPS + 7
    step_by_step, at_once = Forecaster(), Forecaster()
    for asked in (step_by_step, at_once):
        asked.refresh(shed.until(start), _end(shed.until(start)))
    for count in range(start + 1, start + 7):
        part = shed.until(count)
        slow = step_by_step.refresh(part, _end(part))
    quick = at_once.refresh(part, _end(part))
    # sums of weeks run from another start: the rounding of 1e-13 is raised to the tenth power
    assert slow.paths["keel", "air_c"] == pytest.approx(quick.paths["keel", "air_c"], abs=1e-6)


def test_a_history_that_slides_on_gives_the_same_as_one_that_grows() -> None:
    shed = _shed(40)
    start = 38 * DAY_STEPS
    sliding, growing = Forecaster(), Forecaster()
    for count in (start, start + 1, start + 5):
        whole = shed.until(count)
        slid = sliding.refresh(whole.since(max(0, count - start)), _end(whole))
        grown = growing.refresh(whole, _end(whole))
    # the oldest rows that amends are learned from know fewer usual days in the one that slides
    assert _likely(dict(slid.paths), ("keel", "air_c")) == pytest.approx(
        _likely(dict(grown.paths), ("keel", "air_c")), abs=5e-3
    )


def test_bays_that_come_and_go_and_clocks_that_step_back_are_taken_as_they_come() -> None:
    shed = _shed(12, ("keel", "sheer"))
    alone = History(shed.times_us, {k: v for k, v in shed.columns.items() if "sheer" not in k}, {})
    asked = Forecaster()
    assert set(asked.refresh(alone, _end(alone)).paths) == {("keel", "air_c")}
    assert set(asked.refresh(shed, _end(shed)).paths) == {("keel", "air_c"), ("sheer", "air_c")}
    assert set(asked.refresh(alone, _end(alone)).paths) == {("keel", "air_c")}
    earlier = alone.until(9 * DAY_STEPS)
    back = asked.refresh(earlier, _end(earlier))
    assert np.array_equal(
        back.paths["keel", "air_c"], forecast(earlier, _end(earlier)).paths["keel", "air_c"]
    )
    with pytest.raises(InputError, match="no bay was heard"):
        asked.refresh(alone, _end(alone) - timedelta(days=400))


def test_a_clock_change_night_is_72_h_like_any_other() -> None:
    """The European clocks of 29 March 2026 go forward in the middle of it."""
    shed = _shed(9)
    ahead = forecast(shed, datetime(2026, 3, 28, 23, 10, tzinfo=UTC))
    assert np.all(np.diff(ahead.times_us) == 600_000_000)
    assert from_us(int(ahead.times_us[-1])) - ahead.issued_at > timedelta(hours=71)
    assert np.isfinite(ahead.paths["keel", "air_c"]).all()


def test_the_readings_of_the_first_hour_are_enough_for_a_wide_forecast() -> None:
    shed = thin(START_US + 60_000_000 * np.arange(45), {"keel.air_c": np.full(45, 15.0)})
    ahead = forecast(shed, _end(shed))
    likely = _likely(dict(ahead.paths), ("keel", "air_c"))
    assert likely == pytest.approx(15.0, abs=1.5)
    assert np.ptp(np.quantile(ahead.paths["keel", "air_c"][:, 100], [0.1, 0.9])) > 3


def test_an_outdoor_forecast_ten_degrees_off_is_not_used_and_said() -> None:
    shed = _shed(12)
    outdoors = shed.columns["outdoor.air_c"]
    coming = np.concatenate([outdoors, np.full(AHEAD_STEPS, outdoors[-1])])
    right, wrong = (
        History(shed.times_us, shed.columns, {"outdoor.air_c": coming + off}) for off in (0.0, 10.0)
    )
    assert trusted(right) == (right, [])
    kept, notes = trusted(wrong)
    assert kept.ahead == {}
    assert "is not used" in notes[0]
    told = forecast(wrong, _end(wrong))
    assert any("is not used" in note for note in told.notes)
    assert np.array_equal(told.paths["keel", "air_c"], forecast(shed, _end(shed)).paths["keel", "air_c"])


def test_a_known_future_with_holes_is_a_mean_of_what_is_known() -> None:
    shed = _shed(4)
    known = np.full(len(shed) + AHEAD_STEPS, np.nan)
    known[100:110:2] = 50.0
    history = History(shed.times_us, shed.columns, {"outdoor.air_c": known})
    inputs = Features(history, "keel", "air_c").toward(12, np.zeros(len(shed)))
    blind = Features(shed, "keel", "air_c").toward(12, np.zeros(len(shed)))
    mean_less_now = inputs[:, blind.shape[1] + 2]
    assert mean_less_now[95] == pytest.approx(50.0 - shed.columns["outdoor.air_c"][95])
    assert mean_less_now[20] == 0.0


def test_within_the_half_hour_the_mean_and_the_turn_are_kept() -> None:
    """Six readings, 1 to 6: mean 3.5, newest 6; quarters 1, 2, 3 and 4, 5, 6."""
    minutes = np.arange(5, 35, 5)
    history = thin(minutes * 60_000_000, {"keel.air_c": np.arange(1.0, 7.0)})
    assert history.columns["keel.air_c"].tolist() == [6.0]
    assert history.within["keel.air_c"].tolist() == [[-2.5, 3.0]]


def test_moving_a_row_keeps_what_overlaps() -> None:
    values = np.arange(5.0)[None, :]
    assert moved(values, 2, 5)[0, :3].tolist() == [2.0, 3.0, 4.0]
    assert np.isnan(moved(values, 2, 5)[0, 3:]).all()
    assert moved(values, -1, 6)[0, 1:].tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert np.isnan(moved(values, 9, 3)).all()


def _experts(measured: Array, good: bool, seed: int = 3) -> Array:  # noqa: FBT001  two cases of one helper
    """Return naive experts as they are, and others that are good, or bad from day 20 on."""
    random = np.random.default_rng(seed)
    said = np.empty((len(EXPERT_NAMES), len(KNOTS), len(measured)))
    for place, knot in enumerate(KNOTS):
        truth = np.nan_to_num(lagged(measured, -knot), nan=15.0)
        said[:, place] = truth + random.normal(0, 0.3, (len(EXPERT_NAMES), len(measured)))
        said[0, place], said[1, place] = measured, np.nan_to_num(lagged(measured, DAY_STEPS), nan=15.0)
        if not good:
            said[NAIVE:, place, 20 * DAY_STEPS :] += 30.0
    return said


def test_the_mix_gives_way_where_it_is_worse_than_the_naive_ones() -> None:
    random = np.random.default_rng(5)
    measured = 15 + np.cumsum(random.normal(0, 0.05, 45 * DAY_STEPS))
    late = np.arange(34 * DAY_STEPS, 42 * DAY_STEPS)
    for good in (True, False):
        points = mixed(_experts(measured, good), measured)
        for place, knot in enumerate(KNOTS[:17]):
            truth = lagged(measured, -knot)[late]
            naive = np.abs(measured[late] - truth).mean()
            # the other naive one is much worse here, and keeps a little of the say
            assert np.abs(points[place, late] - truth).mean() <= 1.06 * naive, (good, knot)


def test_the_mix_of_the_last_steps_is_the_same_worked_out_alone() -> None:
    # longer than all that the guard and the trees' share look back on
    measured = _shed(60).columns["keel.air_c"]
    said = _experts(measured, good=True)
    # the sums start elsewhere: a rounding of 1e-13, raised to the tenth power
    assert mixed(said, measured, 59 * DAY_STEPS) == pytest.approx(
        mixed(said, measured)[:, 59 * DAY_STEPS :], abs=1e-6
    )


def test_means_count_only_what_had_matured() -> None:
    errors = np.arange(400.0)
    for knot in (1, 12, 48, 96):
        for means in (matured_means, matured_means_by_hour):
            known = means(errors, knot)[0][300]
            changed = errors.copy()
            changed[300 - knot + 1 :] = 1e9
            assert means(changed, knot)[0][300] == known


def test_unrest_is_one_on_even_days_and_follows_a_rough_one() -> None:
    random = np.random.default_rng(7)
    errors = random.normal(0, 1.0, (len(KNOTS), 30 * DAY_STEPS))
    assert unrest(errors)[:, -1] == pytest.approx(1.0, abs=0.15)
    errors[:, -3 * DAY_STEPS :] *= 3
    rough = unrest(errors)[:, -1]
    assert np.all(rough > 1.2)
    assert np.all(rough < 3.0)


def test_a_spread_learns_nothing_from_targets_that_are_still_to_come() -> None:
    shed = _shed(25)
    measured = shed.columns["keel.air_c"]
    points = np.stack([measured for _ in KNOTS])
    origin = 20 * DAY_STEPS
    noised = measured.copy()
    noised[origin + 1 :] = np.random.default_rng(0).uniform(0, 100, len(measured) - origin - 1)
    pools = []
    for truth in (measured, noised):
        spread = Spread("air_c", points, truth)
        for step in range(0, origin + 1, 2):
            pool = spread.follow(step)
        pools.append(pool)
    assert np.array_equal(pools[0].errors, pools[1].errors)
    assert np.array_equal(pools[0].below, pools[1].below)


def test_no_path_leaves_what_was_ever_measured_by_far() -> None:
    """A shed whose flame is out falls fast at the end: the line carried on would be colder than any night."""
    steps = np.arange(6 * DAY_STEPS)
    air = 18.0 + 3.0 * np.sin(steps * 2 * np.pi / DAY_STEPS)
    air[-16:] -= 1.2 * np.arange(16)
    history = History(START_US + STEP_US * steps, {"keel.air_c": air, "keel.part_c": air}, {})
    found = forecast(history, from_us(int(history.times_us[-1])))
    for paths in found.paths.values():
        assert paths.min() >= air.min() - BEYOND_K
        assert paths.max() <= air.max() + BEYOND_K


@pytest.mark.parametrize("factor", [0.5, 1.0, 3.0])
def test_what_feedback_says_of_the_tails_hardly_moves_the_middle(factor: float) -> None:
    errors = np.linspace(-1.0, 1.0, 201)[None, :]
    one = np.ones(1)
    pool = Pool(errors, np.array([201]), np.zeros(1), factor * one, factor * one)
    said = pool.at(np.array([[0.0, TAIL_ODDS, 0.45, 0.5, 0.55, 1.0 - TAIL_ODDS, 1.0]]))[0]
    assert said[[0, 1, 3, 5, 6]] == pytest.approx(factor * np.array([-1.0, -0.8, 0.0, 0.8, 1.0]))
    if factor > 1.0:
        assert np.abs(said[[2, 4]]) == pytest.approx(0.1, rel=0.05)
    assert np.all(np.diff(pool.at(np.linspace(0.0, 1.0, 500)[None, :])[0]) >= 0.0)


def test_what_is_known_of_the_hours_before_a_target_is_their_mean() -> None:
    """A setting raised from 10 to 20 °C for three hours, seen from hours before it: nothing later counts."""
    shed = _shed(10)
    known = np.full(len(shed) + AHEAD_STEPS, 10.0)
    known[200:206] = 20.0
    features = Features(replace(shed, ahead={"heater.setpoint_c": known}), "keel", "air_c")
    usual = np.zeros(len(shed))
    ahead = features.toward(12, usual)[:, -6:]
    # up to step 205 the last 2 h were warm, of the last 6 h one half; the usual day was 10 °C
    assert ahead[205 - 12, -2:] == pytest.approx([10.0, 5.0])
    assert ahead[199 - 12, -2:] == pytest.approx([0.0, 0.0])
    assert ahead[206 + 12 - 12, -2:] == pytest.approx([0.0, 0.0])
