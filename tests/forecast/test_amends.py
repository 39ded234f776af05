"""What the mix's own latest errors say of the next: learned from what had matured, and only that."""

import numpy as np
import pytest

from forecast.amends import amended
from forecast.baselines import lagged
from forecast.experts import KNOTS
from forecast.past import DAY_STEPS, STEP_US, Array

_DAYS = 24
_TIMES_US = np.arange(_DAYS * DAY_STEPS) * STEP_US
_LATE = slice(16 * DAY_STEPS, 20 * DAY_STEPS)
_PLACES = [KNOTS.index(knot) for knot in (2, 12, 48)]


def _measured(seed: int = 1) -> Array:
    random = np.random.default_rng(seed)
    day = 5 * np.sin(2 * np.pi * np.arange(len(_TIMES_US)) / DAY_STEPS)
    return 15 + day + np.cumsum(random.normal(0, 0.1, len(_TIMES_US)))


def _mix(measured: Array, off: Array) -> Array:
    """Return a mix that is right but for `off` (n,) of noise and drift at each origin."""
    return np.stack([np.nan_to_num(lagged(measured, -knot), nan=15.0) + off for knot in KNOTS])


def _misses(points: Array, measured: Array) -> Array:
    off = [np.abs(points[place] - lagged(measured, -KNOTS[place]))[_LATE].mean() for place in _PLACES]
    return np.array(off)


def test_a_mix_that_has_been_off_for_days_is_put_right() -> None:
    measured = _measured()
    drift = 2 * np.sin(2 * np.pi * np.arange(len(measured)) / (9 * DAY_STEPS))
    mix = _mix(measured, drift + np.random.default_rng(2).normal(0, 0.2, len(measured)))
    assert (_misses(amended(mix, measured, _TIMES_US), measured) < 0.7 * _misses(mix, measured)).all()


def test_errors_that_tell_nothing_of_the_next_change_hardly_anything() -> None:
    measured = _measured()
    mix = _mix(measured, np.random.default_rng(3).normal(0, 1.0, len(measured)))
    assert (_misses(amended(mix, measured, _TIMES_US), measured) < 1.04 * _misses(mix, measured)).all()


def test_the_future_changes_nothing_that_was_said_before() -> None:
    measured, now = _measured(), 17 * DAY_STEPS + 13
    mix = _mix(measured, np.random.default_rng(4).normal(0, 1.0, len(measured)))
    changed, other = measured.copy(), mix.copy()
    changed[now + 1 :] = np.random.default_rng(5).normal(15, 5, len(measured) - now - 1)
    other[:, now + 1 :] = 40.0
    before = amended(mix, measured, _TIMES_US)[:, : now + 1]
    assert np.array_equal(amended(other, changed, _TIMES_US)[:, : now + 1], before)


@pytest.mark.parametrize("first", [0, 5, 16 * DAY_STEPS + 7, len(_TIMES_US) - 1, len(_TIMES_US)])
def test_the_last_steps_are_the_same_worked_out_alone(first: int) -> None:
    measured = _measured()
    times_us = _TIMES_US + 7 * STEP_US
    mix = _mix(measured, np.random.default_rng(6).normal(0, 1.0, len(measured)))
    mix[:, 100:140] = np.nan
    whole = amended(mix, measured, times_us)
    assert np.isnan(whole[:, 100:140]).all()
    assert np.isfinite(whole[:, 140:]).all()
    alone = amended(mix, measured, times_us, first)
    assert alone == pytest.approx(whole[:, first:], abs=1e-9, nan_ok=True)


def test_before_there_is_enough_to_go_by_nothing_is_changed() -> None:
    measured = _measured()[: 3 * DAY_STEPS]
    mix = _mix(measured, np.ones(len(measured)))
    assert np.array_equal(amended(mix, measured, _TIMES_US[: len(measured)]), mix)


def test_what_is_no_number_teaches_nothing() -> None:
    measured = _measured()
    mix = _mix(measured, np.random.default_rng(7).normal(0, 1.0, len(measured)))
    holed, broken = measured.copy(), measured.copy()
    holed[300:310], broken[300:310] = np.nan, np.inf
    assert np.array_equal(amended(mix, broken, _TIMES_US), amended(mix, holed, _TIMES_US))
