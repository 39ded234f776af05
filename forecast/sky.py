"""The sun on a level surface: where it stands, a clear sky, and what cloud leaves of it.

The sun's place follows Michalsky 1988 (doi 10.1016/0038-092X(88)90045-X: within 0.01 degree
from 1950 to 2050), a clear sky Haurwitz 1945 (doi 10.1175/1520-0469(1945)002<0154:IIRTCA>2.0.CO;2),
cloud Kasten and Czeplak 1980 (doi 10.1016/0038-092X(80)90391-6). Good for a forecast's inputs,
not for sizing solar panels.
"""

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_J2000_US = 946_728_000_000_000  # 2000-01-01 12:00 UTC
_DAY_US = 86_400_000_000
_HAURWITZ_W_M2 = 1098.0
_HAURWITZ_AIR = 0.059
_CLOUD_TAKES = 0.75
_CLOUD_EXPONENT = 3.4
_WHOLE_PCT = 100.0
_POLE_DEG = 90.0
_HALF_TURN_DEG = 180.0


def sun_height_deg(times_us: npt.NDArray[np.int64], latitude_deg: float, longitude_deg: float) -> FloatArray:
    """Return the sun's height above the horizon [degrees], negative at night, without refraction.

    Parameters
    ----------
    times_us : (n,) int64
        Times [microseconds since 1970 UTC].
    latitude_deg, longitude_deg : float
        Place [degrees], north and east positive; -90 to 90 and -180 to 180.

    Raises
    ------
    ValueError
        If the place is not on Earth.

    >>> noon = np.array([1_718_884_800_000_000])  # 20 June 2024, 12:00 UTC
    >>> round(float(sun_height_deg(noon, 50.0, 0.0)[0]), 1)
    63.4
    """
    if abs(latitude_deg) > _POLE_DEG:
        raise ValueError(f"latitude_deg {latitude_deg:g} must be -90 to 90")
    if abs(longitude_deg) > _HALF_TURN_DEG:
        raise ValueError(f"longitude_deg {longitude_deg:g} must be -180 to 180")
    days = (times_us - _J2000_US) / _DAY_US
    anomaly = np.radians(357.528 + 0.9856003 * days)
    mean_deg = 280.460 + 0.9856474 * days
    ecliptic = np.radians(mean_deg + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt = np.radians(23.439 - 4e-7 * days)
    ascension = np.arctan2(np.cos(tilt) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(tilt) * np.sin(ecliptic))
    # Greenwich mean sidereal time in degrees: one turn a day, and one more a year.
    sidereal_deg = 280.46062 + 360.9856474 * days
    hour_angle = np.radians(sidereal_deg + longitude_deg) - ascension
    latitude = np.radians(latitude_deg)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(
        hour_angle
    )
    height: FloatArray = np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))
    return height


def clear_sky_w_m2(height_deg: FloatArray) -> FloatArray:
    """Return the sun on a level surface under a clear sky [W/m²], 0 at night.

    Parameters
    ----------
    height_deg : (n,) array
        The sun's height [degrees].

    Notes
    -----
    Haurwitz 1945: 1098 cos z exp(-0.059 / cos z), z from the zenith.

    >>> clear_sky_w_m2(np.array([-5.0, 90.0])).round(1).tolist()
    [0.0, 1035.1]
    """
    sine = np.sin(np.radians(height_deg))
    up = np.maximum(sine, 1e-3)
    sun: FloatArray = np.where(sine > 0, _HAURWITZ_W_M2 * up * np.exp(-_HAURWITZ_AIR / up), 0.0)
    return sun


def cloudy_sky_w_m2(clear_w_m2: FloatArray, cloud_pct: FloatArray) -> FloatArray:
    """Return what cloud leaves of a clear sky's sun [W/m²]; NaN stays NaN.

    Parameters
    ----------
    clear_w_m2 : (n,) array
        Sun under a clear sky [W/m²].
    cloud_pct : (n,) array
        Share of the sky that is covered [%], 0 to 100.

    Raises
    ------
    ValueError
        If a cover lies outside 0 to 100.

    Notes
    -----
    Kasten and Czeplak 1980: G = G0 (1 - 0.75 N^3.4), N the cover as a fraction.

    >>> cloudy_sky_w_m2(np.array([800.0, 800.0]), np.array([0.0, 100.0])).tolist()
    [800.0, 200.0]
    """
    if np.any((cloud_pct < 0.0) | (cloud_pct > _WHOLE_PCT)):
        raise ValueError("cloud_pct must be 0 to 100")
    left: FloatArray = clear_w_m2 * (1.0 - _CLOUD_TAKES * (cloud_pct / _WHOLE_PCT) ** _CLOUD_EXPONENT)
    return left
