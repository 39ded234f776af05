"""Courses of temperature: degree-hours, and the coldest and warmest hours."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.course import course, degree_hours, extreme_hours, hours_below, mean_c

_TEMPS = st.lists(st.floats(-10.0, 60.0), min_size=2, max_size=12)


def test_nurse_saul_28_days_at_15_c() -> None:
    """28 d at 15 °C over a base of -11 °C are 728 °C·d (read: concrete maturity texts)."""
    had = degree_hours(course([0.0, 28.0 * 24.0], [15.0, 15.0]), -11.0)
    assert had[0, -1] / 24.0 == pytest.approx(728.0, rel=1e-12)


def test_3500_degree_hours_at_23_c() -> None:
    """3,500 °C·h at 23 °C over 0 °C take 152 h (read; printed as a whole hour)."""
    had = degree_hours(course([0.0, 200.0], [23.0, 23.0]), 0.0)
    assert 3500.0 / (had[0, -1] / 200.0) == pytest.approx(152.0, abs=0.5)


def test_crossing_the_base_counts_only_what_is_above() -> None:
    """From 10 °C down through a base of 5 °C to 0 °C in 2 h: a triangle of 1 h by 5 K."""
    assert degree_hours(course([0.0, 2.0], [10.0, 0.0]), 5.0)[0, -1] == pytest.approx(2.5, rel=1e-12)


@given(_TEMPS, st.floats(-15.0, 40.0), st.floats(0.05, 0.95))
def test_degree_hours_do_not_depend_on_the_cutting(temps: list[float], base_c: float, cut: float) -> None:
    """A sample more on the straight line between two changes nothing."""
    hours = np.arange(len(temps), dtype=float)
    whole = course(hours, temps)
    finer_h = np.sort(np.append(hours, cut))
    finer = course(finer_h, np.interp(finer_h, hours, temps))
    assert degree_hours(finer, base_c)[0, -1] == pytest.approx(
        degree_hours(whole, base_c)[0, -1],
        rel=1e-9,
        abs=1e-5,  # steps under 1 µK count as flat
    )


@given(_TEMPS)
def test_extreme_hours_bound_every_rolling_mean_at_a_sample(temps: list[float]) -> None:
    """Means over each whole hour lie between the coldest and the warmest; both lie in the course."""
    hours = np.arange(len(temps)) / 2.0
    if hours[-1] < 1.0:
        return
    found = extreme_hours(course(hours, temps))
    fine = np.linspace(0.0, hours[-1], 60 * (len(temps) - 1) + 1)
    values = np.interp(fine, hours, temps)
    sums = np.append(0.0, np.cumsum((values[1:] + values[:-1]) / 2.0 * np.diff(fine)))
    means = np.interp(hours[2:], fine, sums) - np.interp(hours[2:] - 1.0, fine, sums)
    flat_k = 1e-6  # steps under 1 µK count as flat
    assert found.coldest_c[0] <= means.min() + flat_k
    assert found.hottest_c[0] >= means.max() - flat_k
    assert min(temps) - flat_k <= found.coldest_c[0] <= found.hottest_c[0] <= max(temps) + flat_k


@given(_TEMPS, st.floats(10.0, 60.0))
def test_hours_below_and_not_below_make_the_whole(temps: list[float], limit_c: float) -> None:
    """Mirrored about the limit, what was below is above."""
    hours = np.arange(len(temps), dtype=float)
    below = hours_below(course(hours, temps), limit_c)[0]
    above = hours_below(course(hours, 2.0 * limit_c - np.array(temps)), limit_c)[0]
    at_it = sum(a == b == limit_c for a, b in pairwise(temps))
    assert below + above + at_it == pytest.approx(hours[-1], abs=1e-4)


def test_extreme_hours_say_when() -> None:
    """A warm plateau from 3 h to 5 h, samples that do not fall on the hour."""
    found = extreme_hours(course([0.0, 2.7, 3.0, 5.0, 5.3, 9.0], [15.0, 15.0, 31.0, 31.0, 12.0, 12.0]))
    assert (found.hottest_c[0], found.hottest_h[0]) == pytest.approx((31.0, 3.0))
    assert found.coldest_c[0] == pytest.approx(12.0)
    assert found.coldest_h[0] >= 5.3


def test_a_course_shorter_than_the_stretch_is_refused() -> None:
    with pytest.raises(ValueError, match="span_h"):
        extreme_hours(course([0.0, 0.5], [20.0, 20.0]))


def test_a_mean_is_of_a_stretch_within_the_course() -> None:
    """From 10 °C straight up to 20 °C in 2 h: the second hour's mean is 17.5 °C."""
    ramp = course([0.0, 2.0], [10.0, 20.0])
    assert mean_c(ramp, 1.0, 2.0) == pytest.approx(17.5)
    for from_h, to_h in ((-0.1, 1.0), (1.0, 1.0), (1.0, 2.1)):
        with pytest.raises(ValueError, match="is no stretch of 0 to 2 h"):
            mean_c(ramp, from_h, to_h)


def test_bad_courses_are_refused() -> None:
    """One sample, times that stand still, shapes that do not fit, moments outside."""
    for hours, temps in (([0.0], [20.0]), ([0.0, 1.0], [20.0]), ([[0.0, 1.0]], [[20.0, 20.0]])):
        with pytest.raises(ValueError, match="do not fit"):
            course(hours, temps)
    for hours in ([0.0, 0.0], [1.0, 0.0], [0.0, np.nan], [0.0, np.inf]):
        with pytest.raises(ValueError, match="must rise"):
            course(hours, [20.0, 20.0])
    with pytest.raises(ValueError, match="-40 to 200"):
        course([0.0, 1.0], [20.0, np.nan])
    with pytest.raises(ValueError, match="within 0 to 1 h"):
        course([0.0, 1.0], [20.0, 20.0]).at_c(1.5)
