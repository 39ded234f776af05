"""Histories with holes: bounded, said, never bridged in silence."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.cure import progress
from forecast.history import COLD, LIKELY, WARM, Hole, history
from forecast.rate import arrhenius_rate

_RATE = arrhenius_rate(9000.0, 23.0, 10.0)


def test_without_holes_the_three_paths_are_one() -> None:
    night = history([0.0, 0.5, 1.0, 2.0], [20.0, 19.0, 18.0, 17.0], (0.25, 2.0))
    assert night.holes == ()
    assert night.gap_h == 0.0
    assert night.course.temps_c.tolist() == [[19.5, 19.0, 18.0, 17.0]] * 3
    assert night.course.start_h == 0.25


def test_a_hole_is_bounded_by_the_day_around_it() -> None:
    """Five hours lost: between the coldest and the warmest measured within a day, and it says so."""
    night = history([-30.0, -3.0, -2.5, 0.0, 1.0, 6.0, 7.0], [2, 31, 30, 20, 18, 12, 14], (0.0, 7.0))
    assert night.holes == (Hole(1.0, 6.0),)
    assert night.gap_h == 5.0
    done = progress(night.course, _RATE)[:, -1]
    straight = progress(history([0, 1, 6, 7], [20, 18, 12, 14], (0.0, 7.0), 9.0).course, _RATE)[LIKELY, -1]
    assert done[LIKELY] == pytest.approx(straight, rel=1e-6)
    at_31_h = 5.0 * float(_RATE.per_h(31.0))
    at_12_h = 5.0 * float(_RATE.per_h(12.0))
    assert done[WARM] - done[COLD] == pytest.approx(at_31_h - at_12_h, rel=1e-3)


def test_silence_before_the_first_and_after_the_last_reading_is_a_hole() -> None:
    night = history([3.0, 4.0, 5.0], [20.0, 22.0, 21.0], (0.0, 9.0))
    assert night.holes == (Hole(0.0, 3.0), Hole(5.0, 9.0))
    assert night.course.temps_c[LIKELY, 0] == 20.0
    assert night.course.temps_c[LIKELY, -1] == 21.0
    assert history([3.0, 4.0, 5.0], [20.0, 22.0, 21.0], (2.5, 5.5)).holes == ()


def test_a_stretch_with_no_reading_near_it_is_one_hole() -> None:
    """Yesterday's readings alone bound today, and all of today is said to be unknown."""
    night = history([0.0, 1.0], [15.0, 25.0], (100.0, 104.0))
    assert night.gap_h == pytest.approx(4.0)
    assert night.course.temps_c[COLD].min() == 15.0


@given(
    st.lists(st.floats(0.0, 12.0), min_size=1, max_size=8),
    st.lists(st.floats(-10.0, 60.0), min_size=8, max_size=8),
    st.floats(0.2, 4.0),
)
def test_the_interval_holds_the_straight_line(times: list[float], temps: list[float], hole_h: float) -> None:
    """Cold never does more, warm never less, whatever is missing."""
    night = history(sorted(times), temps[: len(times)], (0.0, 12.0), hole_h)
    done = progress(night.course, _RATE)[:, -1]
    assert done[COLD] <= done[LIKELY] * (1.0 + 1e-9)
    assert done[LIKELY] <= done[WARM] * (1.0 + 1e-9)
    assert 0.0 <= night.gap_h <= 12.0 + 1e-9
    assert np.all(np.diff(night.course.elapsed_h) > 0.0)


def test_readings_that_cannot_be_used_are_refused() -> None:
    with pytest.raises(ValueError, match="one or more"):
        history([], [], (0.0, 1.0))
    with pytest.raises(ValueError, match="must not fall"):
        history([1.0, 0.0], [20.0, 20.0], (0.0, 1.0))
    with pytest.raises(ValueError, match="cannot be"):
        history([0.0], [20.0], (1.0, 1.0))
    with pytest.raises(ValueError, match="-40 to 200"):
        history([0.0, 1.0], [20.0, np.inf], (0.0, 1.0))
