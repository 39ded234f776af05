"""The water in the air, against measured data and an independent library."""

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.units import G_PER_KG, PA_PER_HPA
from forecast.air import dew_or_frost_point_c, dew_point_c
from forecast.moisture import (
    absolute_humidity_g_m3,
    humidity_pct,
    humidity_ratio_g_kg,
    wet_bulb_c,
)
from tests.vectors import rows

psychrolib.SetUnitSystem(psychrolib.SI)

temps_c = st.floats(0, 60)
shares_pct = st.floats(0, 100)
pressures_hpa = st.floats(700, 1100)


def test_measured_offices_humidity_ratio_is_reproduced() -> None:
    """The data's authors used 0.622 and 101330 Pa with Hyland-Wexler: so computed, their column is exact.

    Ours at the same pressure differs by the ratio of molar masses (88 ppm) and by Sonntag against
    Hyland-Wexler (200 ppm, the other way): 300 ppm, which is also what ASHRAE claims.
    """
    table = rows("office_mons_slice.csv")
    temp_c, humidity, ratio_kg_kg = (
        np.array([float(row[key]) for row in table])
        for key in ("temp_c", "humidity_pct", "humidity_ratio_kg_kg")
    )
    ratio_g_kg = humidity_ratio_g_kg(temp_c, humidity, 1013.30)
    np.testing.assert_allclose(ratio_g_kg, ratio_kg_kg * G_PER_KG, rtol=300e-6)


@given(temps_c, shares_pct, pressures_hpa)
def test_humidity_ratio_agrees_with_psychrolib(temp_c: float, share_pct: float, pressure_hpa: float) -> None:
    # Hyland-Wexler against Sonntag: 230 ppm of pressure at most up to 60 °C, a third more in the ratio
    # when it is hot and wet; psychrolib has a floor of 1e-7.
    theirs = psychrolib.GetHumRatioFromRelHum(temp_c, share_pct / 100, pressure_hpa * PA_PER_HPA)
    ours_g_kg = humidity_ratio_g_kg(temp_c, share_pct, pressure_hpa)
    assert ours_g_kg == pytest.approx(theirs * G_PER_KG, rel=400e-6, abs=2e-4)


@given(temps_c, st.floats(1, 100))
def test_absolute_humidity_agrees_with_psychrolib(temp_c: float, share_pct: float) -> None:
    # Water per dry air over volume per dry air; its gas constant is rounded to 287.042.
    ratio = psychrolib.GetHumRatioFromRelHum(temp_c, share_pct / 100, 101325.0)
    theirs = G_PER_KG * ratio / psychrolib.GetMoistAirVolume(temp_c, ratio, 101325.0)
    assert absolute_humidity_g_m3(temp_c, share_pct) == pytest.approx(theirs, rel=500e-6)


@given(temps_c, shares_pct, pressures_hpa)
def test_wet_bulb_agrees_with_psychrolib(temp_c: float, share_pct: float, pressure_hpa: float) -> None:
    theirs = psychrolib.GetTWetBulbFromRelHum(temp_c, share_pct / 100, pressure_hpa * PA_PER_HPA)
    ours = wet_bulb_c(temp_c, share_pct, pressure_hpa)
    if abs(ours) > 0.5:  # about 0 °C a wick of water and one of ice both fit, and the two choose apart
        # Its bisection stops at 0.001 K; the curves add 0.005.
        assert ours == pytest.approx(theirs, abs=0.01)


def test_wet_bulb_of_stulls_example() -> None:
    # Stull 2011 (doi 10.1175/JAMC-D-11-0143.1): 20 °C, 50 % -> 13.7 °C by a regression that is
    # itself good to 0.1 K hereabouts (its figure 2; -1 to +0.65 K overall).
    assert wet_bulb_c(20.0, 50.0) == pytest.approx(13.7, abs=0.1)


@given(st.floats(-40, 60), shares_pct, pressures_hpa)
def test_wet_bulb_lies_between_dew_point_and_air(
    temp_c: float, share_pct: float, pressure_hpa: float
) -> None:
    wet_c = wet_bulb_c(temp_c, share_pct, pressure_hpa)
    if share_pct >= 1:
        settling_c = dew_or_frost_point_c(temp_c, share_pct)
        # Over ice, air near saturation over water is supersaturated and its wick is the warmer.
        assert wet_c <= max(temp_c, settling_c) + 0.01
        assert wet_c >= min(temp_c, settling_c) - 0.01
    else:
        assert wet_c < temp_c


def test_wet_bulb_keeps_shape_and_nan() -> None:
    wet_c = wet_bulb_c(np.array([[20.0, np.nan], [-5.0, 40.0]]), 50.0)
    assert np.isnan(wet_c).tolist() == [[False, True], [False, False]]
    assert wet_c[1, 1] == pytest.approx(wet_bulb_c(40.0, 50.0), abs=1e-9)


def test_air_that_boils_has_no_humidity_ratio() -> None:
    with pytest.raises(ValueError, match="no humidity ratio"):
        humidity_ratio_g_kg(100.0, 100.0, 900.0)
    assert np.isnan(humidity_ratio_g_kg(np.array([100.0]), 100.0, 900.0)[0])


def test_pressure_out_of_range_is_named() -> None:
    with pytest.raises(ValueError, match="pressure_hpa 101325 hPa is outside 300 to 1100 hPa"):
        wet_bulb_c(20.0, 50.0, 101325.0)


@pytest.mark.parametrize(("temp_c", "printed_pct"), [(5, 80.9), (20, 82.9), (30, 84.0)])
def test_three_kelvin_of_margin_as_humidity_at_the_surface(temp_c: float, printed_pct: float) -> None:
    # Computed with reference libraries, printed to 0.1.
    assert humidity_pct(temp_c, temp_c - 3.0) == pytest.approx(printed_pct, abs=0.051)


@given(st.floats(-50, 90), st.floats(1, 100))
def test_humidity_and_dew_point_are_inverse(temp_c: float, share_pct: float) -> None:
    assert humidity_pct(temp_c, dew_point_c(temp_c, share_pct)) == pytest.approx(share_pct, rel=1e-6)
