"""Forecasts of air and humidity: no look-ahead, honest spread, and never a crash."""

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.clock import from_us
from collector.errors import InputError
from forecast.air import dew_point_c
from forecast.baselines import lagged, same_hour, usual_day
from forecast.experts import EXPERT_NAMES, KNOTS, replay
from forecast.forecaster import forecast, refit_steps
from forecast.hindcast import HORIZONS_H, Plan, Weather, hindcast, knowing, plan_for, replayed
from forecast.past import AHEAD_STEPS, DAY_STEPS, STEP_US, Array, History, read_csv, thin
from forecast.scores import crps, score
from forecast.weighing import mixed

DATA = Path(__file__).parent.parent / "data"


@pytest.fixture(scope="module")
def glass() -> History:
    """Three weeks of a measured greenhouse compartment (see tests/data/SOURCES.md)."""
    history = read_csv(DATA / "greenhouse_cva.csv.gz")
    kept = ("bay.", "outdoor.", "heater.setpoint_c")
    columns = {name: values for name, values in history.columns.items() if name.startswith(kept)}
    within = {name: history.within[name] for name in columns}
    return History(history.times_us, columns, {}, within).until(21 * DAY_STEPS)


def _noised(history: History, origin: int) -> History:
    """Return the history with everything after `origin` replaced by noise."""
    random = np.random.default_rng(1)
    columns = {}
    for name, values in history.columns.items():
        columns[name] = values.copy()
        columns[name][origin + 1 :] = random.uniform(0, 100, len(values) - origin - 1)
    within = {name: values.copy() for name, values in history.within.items()}
    for values in within.values():
        values[origin + 1 :] = random.uniform(-5, 5, (len(values) - origin - 1, 2))
    return History(history.times_us, columns, history.ahead, within)


def test_the_future_replaced_by_noise_changes_no_forecast(glass: History) -> None:
    origin = 16 * DAY_STEPS + 11
    at = from_us(int(glass.times_us[origin]))
    honest, noised = forecast(glass, at), forecast(_noised(glass, origin), at)
    for unit, paths in honest.paths.items():
        assert np.array_equal(paths, noised.paths[unit]), unit


def test_the_future_replaced_by_noise_changes_nothing_that_a_replay_said_before(glass: History) -> None:
    origin = 16 * DAY_STEPS + 11
    plan = Plan(12 * DAY_STEPS, len(glass))
    unit = ("bay", "air_c")
    honest, noised = replayed(glass, plan)[unit], replayed(_noised(glass, origin), plan)[unit]
    assert np.array_equal(honest[:, : origin + 1], noised[:, : origin + 1], equal_nan=True)
    assert not np.array_equal(honest[:, origin + 1 :], noised[:, origin + 1 :], equal_nan=True)


def test_one_seed_gives_one_forecast_and_another_seed_another(glass: History) -> None:
    at = from_us(int(glass.times_us[-1]))
    first, again, other = forecast(glass, at), forecast(glass, at), forecast(glass, at, seed=1)
    unit = ("bay", "air_c")
    assert np.array_equal(first.paths[unit], again.paths[unit])
    assert not np.array_equal(first.paths[unit], other.paths[unit])


def test_an_oracle_scores_exactly_zero() -> None:
    """A perfect forecaster has no error, by mean absolute error and by CRPS alike."""
    truth = np.array([20.0, 21.5, 19.0, 17.25])
    found = score(np.repeat(truth[:, None], 200, axis=1), truth, np.arange(4), truth + 1, truth - 2)
    assert (found["mae"], found["bias"], found["crps"], found["width80"]) == (0.0, 0.0, 0.0, 0.0)
    assert (found["cover80"], found["mae_persistence"], found["mae_yesterday"]) == (1.0, 1.0, 2.0)


def test_crps_of_a_normal_forecast_is_the_published_closed_form() -> None:
    """Gneiting and Raftery 2007, eq. 20: for N(0, 1) and y = 0, (sqrt 2 - 1) / sqrt pi = 0.23370."""
    samples = np.random.default_rng(3).standard_normal((1, 200_000))
    # three standard errors of the mean of 200,000 draws
    assert crps(samples, np.array([0.0]))[0] == pytest.approx((2**0.5 - 1) / np.pi**0.5, abs=0.005)


def test_paths_are_physical_and_cover_72_h(glass: History) -> None:
    at = from_us(int(glass.times_us[-1]))
    ahead = forecast(glass, at)
    humidity_pct, air_c = ahead.paths["bay", "humidity_pct"], ahead.paths["bay", "air_c"]
    assert humidity_pct.shape == air_c.shape == (200, 432)
    assert from_us(int(ahead.times_us[-1])) - at == timedelta(hours=72)
    assert humidity_pct.min() >= 0
    assert humidity_pct.max() <= 100
    # the two Newton steps of the dew point leave less than a thousandth of a degree
    assert np.all(dew_point_c(air_c, np.maximum(humidity_pct, 1.0)) <= air_c + 1e-3)


def test_quantiles_rise_and_odds_are_the_share_of_paths(glass: History) -> None:
    ahead = forecast(glass, from_us(int(glass.times_us[-1])))
    low, high = ahead.quantile("bay", "air_c", 0.1), ahead.quantile("bay", "air_c", 0.9)
    assert np.all(low <= high)
    odds = ahead.probability(
        lambda paths: paths["bay", "air_c"][:, 100] > ahead.quantile("bay", "air_c", 0.5)[100]
    )
    assert odds == pytest.approx(0.5, abs=0.01)


def test_neighbouring_hours_and_temperature_and_humidity_err_together(glass: History) -> None:
    """In measured glasshouse air a warmer night is a drier one, and one hour is like the next."""
    ahead = forecast(glass, from_us(int(glass.times_us[-1])))
    air_c, humidity_pct = ahead.paths["bay", "air_c"], ahead.paths["bay", "humidity_pct"]
    assert np.corrcoef(air_c[:, 71], air_c[:, 77])[0, 1] > 0.5
    assert np.corrcoef(air_c[:, 71], humidity_pct[:, 71])[0, 1] < -0.2


def test_the_mix_beats_what_anybody_can_do_without_a_model(glass: History) -> None:
    """Measured air, weekly fits: at 1 to 24 h below both persistence and the same hour yesterday."""
    bays = hindcast(glass, Plan(12 * DAY_STEPS, len(glass)))["bays"]
    for hours in HORIZONS_H[:5]:
        found = bays["bay"]["air_c"][str(hours)]
        # never worse than the better of the two by more than 3 %
        assert found["mae"] <= 1.03 * min(found["mae_persistence"], found["mae_yesterday"]), hours
        # two weeks of hourly origins hold about ten independent nights
        assert 0.6 <= found["cover80"] <= 0.95, hours


def test_a_perfect_outdoor_forecast_is_used_and_a_missing_column_is_named(glass: History) -> None:
    known = knowing(glass, Weather.PERFECT, ["heater.setpoint_c"])
    assert set(known.ahead) >= {"outdoor.air_c", "heater.setpoint_c"}
    assert len(known.ahead["outdoor.air_c"]) == len(glass) + AHEAD_STEPS
    refits = [14 * DAY_STEPS]
    blind, seeing = (replay(one, ("bay", "air_c"), refits) for one in (glass, known))
    assert not np.array_equal(blind, seeing, equal_nan=True)
    with pytest.raises(InputError, match=r"outdoor\.forecast_air_c"):
        knowing(glass, Weather.COLUMN)


def test_experts_train_only_on_targets_that_have_matured() -> None:
    """A step at the refit cannot be known to a fit that ends there."""
    steps = np.arange(12 * DAY_STEPS)
    air = 15 + 5 * np.sin(steps * 2 * np.pi / DAY_STEPS)
    refit = 10 * DAY_STEPS
    stepped = air.copy()
    stepped[refit + 1 :] += 20
    said = [
        replay(History(steps * STEP_US, {"keel.air_c": values}, {}), ("keel", "air_c"), [refit])[:, :, refit]
        for values in (air, stepped)
    ]
    assert np.array_equal(said[0], said[1], equal_nan=True)


@pytest.mark.parametrize("count", [1, 2, 30, 100, 200])
def test_with_little_history_the_forecast_is_wide_and_says_so(glass: History, count: int) -> None:
    young = glass.until(count)
    ahead = forecast(young, from_us(int(young.times_us[-1])))
    assert any("only" in note for note in ahead.notes)
    paths = ahead.paths["bay", "air_c"]
    assert np.isfinite(paths).all()
    width_k = np.quantile(paths[:, 143], 0.9) - np.quantile(paths[:, 143], 0.1)
    assert width_k > 3


_BREAKS: dict[str, tuple[str, slice, float]] = {
    "constant": ("bay.air_c", slice(None), 20.0),
    "outdoor stops": ("outdoor.air_c", slice(-200, None), np.nan),
    "one NaN column": ("outdoor.wind_m_s", slice(None), np.nan),
    "infinite": ("bay.air_c", slice(300, 310), np.inf),
    "all NaN humidity": ("bay.humidity_pct", slice(None), np.nan),
    "bay silent": ("bay.air_c", slice(-20, None), np.nan),
}


def _broken(kind: str, history: History) -> History:
    columns = {name: values.copy() for name, values in history.columns.items()}
    if kind == "holes":
        for values in columns.values():
            values[200:330] = np.nan
    elif kind == "outdoor lies":
        columns["outdoor.air_c"][-100:] += 10.0
    elif kind == "sensor moved":
        columns["bay.air_c"][-DAY_STEPS:] += 4 * np.sin(np.arange(DAY_STEPS) * 1.3)
    else:
        name, where, value = _BREAKS[kind]
        columns[name][where] = value
    return History(history.times_us, columns, {}, history.within)


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("holes", ""),
        ("constant", "has not moved"),
        ("outdoor stops", "nothing from outdoors"),
        ("outdoor lies", "look at the sensor"),
        ("one NaN column", ""),
        ("infinite", ""),
        ("all NaN humidity", ""),
        ("bay silent", "last heard 10 h ago"),
        ("sensor moved", "as far from the forecast"),
    ],
)
def test_bad_input_gives_a_forecast_that_says_so_and_never_a_crash(
    glass: History, kind: str, words: str
) -> None:
    broken = _broken(kind, glass)
    ahead = forecast(broken, from_us(int(broken.times_us[-1])))
    assert all(np.isfinite(paths).all() for paths in ahead.paths.values())
    assert any(words in note for note in ahead.notes) or not words


def test_nothing_ever_heard_is_said_in_words(glass: History) -> None:
    silent = History(glass.times_us, {"bay.air_c": np.full(len(glass), np.nan)}, {})
    with pytest.raises(InputError, match="no bay was heard"):
        forecast(silent, from_us(int(glass.times_us[-1])))


def test_same_hour_yesterday_uses_the_last_day_already_known() -> None:
    values = np.arange(200.0)
    assert same_hour(values, 2)[100] == 100 + 2 - 48
    assert same_hour(values, 49)[100] == 100 + 49 - 96
    assert usual_day(np.ones(200), 6)[100] == pytest.approx(1.0)


@given(st.integers(-60, 60))
@settings(max_examples=30, deadline=None)
def test_lagging_there_and_back_keeps_what_stays_inside(steps: int) -> None:
    values: Array = np.arange(50.0)
    back = lagged(lagged(values, steps), -steps)
    kept = np.isfinite(back)
    assert np.array_equal(back[kept], values[kept])


def test_an_expert_that_is_always_right_gets_nearly_all_the_weight() -> None:
    measured = np.random.default_rng(0).normal(20, 3, 600)
    said = np.random.default_rng(1).normal(20, 3, (len(EXPERT_NAMES), len(KNOTS), 600))
    for place, knot in enumerate(KNOTS):
        said[3, place] = np.nan_to_num(lagged(measured, -knot), nan=20.0)
    points = mixed(said, measured)
    assert np.nanmax(np.abs(points[0, 300:590] - measured[301:591])) < 0.01


def test_refits_are_frequent_while_young_then_weekly() -> None:
    days = [step / DAY_STEPS for step in refit_steps(0, 40 * DAY_STEPS)]
    assert days == [0, 3, 5, 7, 10, 14, 21, 28, 35]


def test_thinning_keeps_the_newest_value_of_each_half_hour_and_marks_holes() -> None:
    minutes = np.array([0, 10, 20, 30, 120])
    history = thin(minutes * 60_000_000, {"keel.air_c": np.array([1.0, 2.0, 3.0, 4.0, 5.0])})
    assert history.columns["keel.air_c"][:2].tolist() == [1.0, 4.0]
    assert np.isnan(history.columns["keel.air_c"][2:4]).all()
    assert history.columns["keel.air_c"][4] == 5.0


def test_too_short_a_file_is_refused_in_words(glass: History) -> None:
    with pytest.raises(InputError, match="nothing to replay"):
        plan_for(glass.until(50))
