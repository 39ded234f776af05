"""The next two hours of a heater that gives more or less: learned from its own past."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from forecast.climate_past import Array
from forecast.near_course import NEAR_STEPS, Near, NearAhead, learn_near, near_paths
from tests.bench.greenhouse_pipe import Compartment
from tests.forecast.pipe_shed import DAY, END, pipe_past, programme_c

# Asked half an hour before the programme goes up.
_LONG = pipe_past(16.0, end=END + timedelta(hours=2.5))
_NOW = len(_LONG) - NEAR_STEPS
_UNKNOWN = np.full(NEAR_STEPS, np.nan)


def _learned(*, knows_weather: bool = False) -> Near:
    found = learn_near(_LONG.until(_NOW, 14 * DAY), 0, knows_weather=knows_weather)
    assert found is not None
    return found


def _programme() -> Array:
    return _LONG.setpoint_c[_NOW:]


@pytest.mark.slow
def test_the_peak_of_a_measured_glasshouse_is_told_an_hour_ahead() -> None:
    """The bar is the project's own: 0.7 K and 10 min, on average. Data: tests/data, with its source."""
    it = Compartment("reference")
    found = [it.missed(origin, air_c, 1) for origin, air_c in it.learned(knows_weather=True)]
    assert len(found) > 300
    assert np.mean([abs(each.off_k) for each in found]) <= 0.7
    assert np.mean([abs(each.off_min) for each in found]) <= 10.0
    assert 0.70 <= np.mean([each.inside for each in found]) <= 0.90


def test_the_morning_rise_of_a_shed_is_seen_coming() -> None:
    came = np.convolve(_LONG.air_c[0], np.ones(3) / 3, mode="same")[_NOW:-1]
    said = near_paths(_learned(), NearAhead(_programme(), None), 200).mean(axis=0)[:-1]
    rise = np.abs(_LONG.air_c[0, _NOW - 1] - came).mean()
    assert rise > 2.0
    assert np.abs(said - came).mean() < 0.1 * rise


def test_a_setting_known_ahead_moves_the_air_when_it_is_raised() -> None:
    """The invented shed is asked an hour before the morning's rise, and again as if that came at once."""
    past = pipe_past(14.0)
    near = learn_near(past, 0, knows_weather=False)
    assert near is not None
    hours = past.times_us[-1] / 3.6e9 + np.arange(1, NEAR_STEPS + 1) / 12.0
    usual, sooner = (
        near_paths(near, NearAhead(programme_c(hours + shift), None), 200).mean(axis=0)
        for shift in (0.0, 1.0)
    )
    assert sooner[11] - usual[11] > 0.5


def test_what_is_not_measured_and_holes_are_borne_and_a_probe_may_come_later() -> None:
    past = _LONG.until(_NOW, 14 * DAY)
    air = past.air_c.copy()
    air[0, 5 * DAY : 5 * DAY + 40] = np.nan
    torn = replace(past, air_c=air, out_c=np.full(len(past), np.nan), setpoint_c=np.full(len(past), np.nan))
    near = learn_near(torn, 0, knows_weather=False)
    assert near is not None
    paths = near_paths(near, NearAhead(_UNKNOWN, None), 50)
    assert np.isfinite(paths).all()
    probed = replace(near, past=replace(torn, part_c=torn.air_c - 1.0))
    assert near_paths(probed, NearAhead(_UNKNOWN, None), 50) == pytest.approx(paths, abs=2.0)


def test_less_than_a_week_teaches_nothing_and_other_steps_are_refused() -> None:
    assert learn_near(_LONG.until(6 * DAY), 0, knows_weather=False) is None
    assert learn_near(_LONG.until(8 * DAY), 0, knows_weather=False) is not None
    with pytest.raises(ValueError, match="steps of 300 s, not 60 s"):
        learn_near(replace(_LONG, step_s=60), 0, knows_weather=False)


def test_a_forecast_learned_with_must_be_there_when_asked() -> None:
    with pytest.raises(ValueError, match="learned with a forecast"):
        near_paths(_learned(knows_weather=True), NearAhead(_programme(), None), 10)
    weather = (_LONG.out_c[_NOW:], _LONG.sun_w_m2[_NOW:], _LONG.wind_m_s[_NOW:])
    assert near_paths(_learned(knows_weather=True), NearAhead(_programme(), weather), 10).shape == (10, 24)


def test_one_seed_gives_one_answer() -> None:
    ahead = NearAhead(_programme(), None)
    one, again, other = (near_paths(_learned(), ahead, 20, seed) for seed in (1, 1, 2))
    assert np.array_equal(one, again)
    assert not np.array_equal(one, other)
