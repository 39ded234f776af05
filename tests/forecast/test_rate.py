"""Rates: published factors, and the tabulation's own error."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.rate import GRID_C, HIGHEST_C, LOWEST_C, arrhenius_rate, tabulated_rate

# Equivalent age factors for Q = 5000 K and a reference of 23 °C, as concrete maturity prints them
# (ASTM C1074's form from memory, the figures computed outside this project).
EQUIVALENT_AGE = ((5.0, 0.3350), (10.0, 0.4603), (15.0, 0.6255), (30.0, 1.4773), (40.0, 2.5029))


@pytest.mark.parametrize(("temp_c", "factor"), EQUIVALENT_AGE)
def test_equivalent_age_factors(temp_c: float, factor: float) -> None:
    """The printed factors take 0 °C as 273 K: shifted by that 0.15 K ours has all their digits."""
    as_printed = arrhenius_rate(5000.0, 23.0 - 0.15).per_h(temp_c - 0.15)
    assert as_printed == pytest.approx(factor, abs=0.5e-4)  # four decimals are printed
    # and with 273.15 K it stays within what 0.15 K is worth
    assert arrhenius_rate(5000.0, 23.0).per_h(temp_c) == pytest.approx(factor, rel=2e-3)


@given(st.floats(LOWEST_C, HIGHEST_C), st.floats(1000.0, 110_000.0 / 8.314462618))
def test_between_grid_points_a_rate_is_right_to_a_millionth(temp_c: float, activation_k: float) -> None:
    """Up to 110 kJ/mol from -15 °C; in deep frost, where nothing cures, to two millionths."""
    exact = np.exp(activation_k * (1.0 / 296.15 - 1.0 / (temp_c + 273.15)))
    assert arrhenius_rate(activation_k, 23.0).per_h(temp_c) == pytest.approx(exact, rel=2e-6)


@given(st.integers(-400, 2000))
def test_tenths_of_a_degree_are_grid_points(tenth: int) -> None:
    """A sheet's temperature, in °C or °F, gets the tabulated value itself."""
    for temp_c in (tenth / 10.0, (tenth / 10.0 - 32.0) / 1.8):
        if temp_c >= LOWEST_C:
            cell = np.abs(GRID_C - temp_c).argmin()
            rate = arrhenius_rate(9000.0, 23.0)
            assert rate.per_h(temp_c) == pytest.approx(float(rate.per_h(GRID_C[cell])), rel=1e-11)


def test_fading_below_a_floor_leaves_the_rest_alone() -> None:
    """Full at the floor, half of it 1 K below, nothing from 2 K below."""
    whole = arrhenius_rate(8000.0, 23.0)
    fading = whole.fading_below(12.0)
    assert fading.per_h([12.0, 20.0, 60.0]) == pytest.approx(whole.per_h([12.0, 20.0, 60.0]), rel=1e-12)
    assert fading.per_h(11.0) == pytest.approx(0.5 * float(whole.per_h(11.0)), rel=1e-9)
    assert fading.per_h([10.0, -5.0]).tolist() == [0.0, 0.0]
    assert np.isinf(fading.hours(9.0))


def test_temperatures_out_of_range_are_refused() -> None:
    """Never clamped: a rate at 300 °C would be a number without meaning."""
    rate = arrhenius_rate(5000.0, 23.0)
    for bad_c in (-40.1, 200.1, float("nan"), float("inf")):
        with pytest.raises(ValueError, match="-40 to 200"):
            rate.per_h(bad_c)


def test_bad_rates_are_refused() -> None:
    """Each argument outside its range is named."""
    with pytest.raises(ValueError, match="one for each of GRID_C"):
        tabulated_rate([1.0, 2.0])
    for bad in (np.nan, -1.0, np.inf):
        with pytest.raises(ValueError, match="finite and not negative"):
            tabulated_rate(np.full(GRID_C.size, bad))
    with pytest.raises(ValueError, match="activation_k"):
        arrhenius_rate(-1.0, 23.0)
    with pytest.raises(ValueError, match="reference_c"):
        arrhenius_rate(1.0, 300.0)
    with pytest.raises(ValueError, match="reference_h"):
        arrhenius_rate(1.0, 23.0, 0.0)
    with pytest.raises(ValueError, match="factor"):
        arrhenius_rate(1.0, 23.0).times(0.0)
