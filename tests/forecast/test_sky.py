"""The sun's height and what reaches a level surface."""

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import to_us
from forecast.sky import clear_sky_w_m2, cloudy_sky_w_m2, sun_height_deg


def test_the_published_example_of_the_solar_position_algorithm() -> None:
    """Zenith 50.11162 degrees: Reda and Andreas 2004 (NREL/TP-560-34302), table A5.1, cited from memory."""
    at = np.array([to_us(datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC))])
    # 0.01 degree by the algorithm, and refraction (0.014 degree at that height and pressure) left out
    assert 90.0 - sun_height_deg(at, 39.742476, -105.1786)[0] == pytest.approx(50.11162, abs=0.025)


def test_polar_night_and_midnight_sun() -> None:
    hours = 3_600_000_000 * np.arange(24)
    winter, summer = (to_us(datetime(2026, month, 21, tzinfo=UTC)) + hours for month in (12, 6))
    assert sun_height_deg(winter, 75.0, 20.0).max() < 0
    assert sun_height_deg(summer, 75.0, 20.0).min() > 0


def test_a_clear_sky_by_haurwitz() -> None:
    """1098 cos z exp(-0.059 / cos z) at z = 60 degrees: 549 exp(-0.118) = 487.9, worked by hand."""
    assert clear_sky_w_m2(np.array([30.0]))[0] == pytest.approx(487.9, abs=0.1)


@given(st.floats(0.0, 1000.0), st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_more_cloud_is_never_more_sun(clear: float, some: float, other: float) -> None:
    less, more = sorted((some, other))
    sun = cloudy_sky_w_m2(np.array([clear, clear]), np.array([less, more]))
    assert 0.25 * clear - 1e-9 <= sun[1] <= sun[0] <= clear


def test_what_cannot_be_is_refused() -> None:
    noon = np.array([0])
    with pytest.raises(ValueError, match="latitude_deg 91"):
        sun_height_deg(noon, 91.0, 0.0)
    with pytest.raises(ValueError, match="longitude_deg -200"):
        sun_height_deg(noon, 0.0, -200.0)
    with pytest.raises(ValueError, match="cloud_pct"):
        cloudy_sky_w_m2(np.array([1.0]), np.array([101.0]))
