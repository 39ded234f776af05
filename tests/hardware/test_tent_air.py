"""The simulated shed's own moist-air formulas."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.tent import moist

# WMO-No. 8 annex 4.B, over water, computed independently of this project to six digits [Pa].
WMO_PA = {
    -20: 125.965,
    -10: 287.031,
    -5: 422.185,
    0: 611.200,
    5: 871.743,
    10: 1226.03,
    20: 2332.60,
    30: 4233.72,
}
# IAPWS-95 over the same range [Pa]. Magnus differs from it by up to 0.32 %, at 30 °C.
IAPWS_PA = {
    0: 611.213,
    5: 872.530,
    10: 1228.11,
    15: 1705.68,
    20: 2339.19,
    25: 3169.82,
    30: 4246.92,
    50: 12352.5,
}
# Dew points by the same WMO formula, and by IAPWS-95, computed independently of this project [°C].
DEW_C = {
    (10, 60): (2.584, 2.601),
    (20, 60): (11.995, 12.008),
    (20, 85): (17.399, 17.403),
    (30, 85): (27.199, 27.199),
}

temperatures = st.floats(-20.0, 50.0)


@pytest.mark.parametrize("temp_c", WMO_PA)
def test_saturation_pressure_is_the_wmo_one_to_its_printed_digits(temp_c: int) -> None:
    assert 100.0 * moist.saturation_hpa(temp_c) == pytest.approx(WMO_PA[temp_c], rel=1e-5)


@pytest.mark.parametrize("temp_c", IAPWS_PA)
def test_saturation_pressure_is_within_the_magnus_formulas_own_error_of_iapws(temp_c: int) -> None:
    assert 100.0 * moist.saturation_hpa(temp_c) == pytest.approx(IAPWS_PA[temp_c], rel=0.0033)


@pytest.mark.parametrize(("state", "dew"), DEW_C.items())
def test_dew_point_is_the_wmo_one_and_near_iapws(state: tuple[int, int], dew: tuple[float, float]) -> None:
    assert moist.dew_point_c(*state) == pytest.approx(dew[0], abs=0.001)  # printed to 0.001
    assert moist.dew_point_c(*state) == pytest.approx(
        dew[1], abs=0.02
    )  # Magnus against IAPWS-95 in this range


@given(temperatures, st.floats(1.0, 100.0))
def test_air_at_its_dew_point_holds_as_much_vapour_pressure_as_before(
    temp_c: float, humidity_pct: float
) -> None:
    dew_c = moist.dew_point_c(temp_c, humidity_pct)
    assert dew_c <= temp_c + 1e-9
    pressure_hpa = moist.saturation_hpa(temp_c) * humidity_pct / 100.0
    assert moist.saturation_hpa(max(dew_c, -45.0)) == pytest.approx(pressure_hpa, rel=1e-9) or dew_c < -45.0


@given(temperatures, st.floats(0.0, 100.0))
def test_humidity_and_vapour_are_each_others_inverse(temp_c: float, humidity_pct: float) -> None:
    vapour_kg_m3 = moist.saturation_kg_m3(temp_c) * humidity_pct / 100.0
    assert moist.humidity_pct(temp_c, vapour_kg_m3) == pytest.approx(humidity_pct, abs=1e-9)


@given(temperatures, st.floats(0.001, 5.0))
def test_warmer_air_holds_more(temp_c: float, warmer_k: float) -> None:
    assert moist.saturation_kg_m3(temp_c + warmer_k) > moist.saturation_kg_m3(temp_c)


@pytest.mark.parametrize("temp_c", [-45.1, 60.1, math.nan])
def test_a_temperature_outside_the_formula_is_refused(temp_c: float) -> None:
    with pytest.raises(ValueError, match="temp_c"):
        moist.saturation_hpa(temp_c)


@pytest.mark.parametrize("humidity_pct", [0.0, -1.0, 100.1, math.nan])
def test_a_humidity_that_cannot_be_is_refused(humidity_pct: float) -> None:
    with pytest.raises(ValueError, match="humidity_pct"):
        moist.dew_point_c(20.0, humidity_pct)


def test_negative_vapour_is_refused() -> None:
    with pytest.raises(ValueError, match="vapour_kg_m3"):
        moist.humidity_pct(20.0, -1e-9)
