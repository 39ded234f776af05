"""The water in the air: humidity at a surface, absolute humidity, humidity ratio, wet bulb.

Conventions are those of `forecast.air`: humidity over liquid water; scalars give a float,
arrays a float64 array; out of range raises ValueError, nothing is clamped.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, overload

import numpy as np

from collector import either
from collector.units import G_PER_KG, PA_PER_HPA, ZERO_C_K
from forecast._sonntag import HUMIDITY, ICE, MIN_C, TEMP, WATER, Bound, call, vapour_pa

if TYPE_CHECKING:
    from collector.either import F, FloatArray

_DEW = Bound("dew_c", "°C", MIN_C, 100.0)
_PRESSURE = Bound("pressure_hpa", "hPa", 300.0, 1100.0)
# Bone-dry air at 60 °C and 300 hPa, the worst of the permitted range, is cooled by 53 K.
_MAX_DEPRESSION_K = 70.0
_WET_TEMP = Bound("temp_c", "°C", -50.0, 60.0)

SEA_LEVEL_HPA = 1013.25
# Ratio of the molar masses of water and dry air: ASHRAE Fundamentals 2017, ch. 1, eq. (1).
_MASS_RATIO = 0.621945
# Specific gas constant of water: 8.314462618 J/(mol K) / 18.015268 g/mol (CODATA 2018, IAPWS).
_WATER_GAS_J_KG_K = 461.5235


@overload
def humidity_pct(temp_c: float, dew_c: float) -> float: ...
@overload
def humidity_pct(temp_c: FloatArray, dew_c: float | FloatArray) -> FloatArray: ...
@overload
def humidity_pct(temp_c: float, dew_c: FloatArray) -> FloatArray: ...
def humidity_pct(temp_c: float | FloatArray, dew_c: float | FloatArray) -> float | FloatArray:
    """Return the relative humidity [%] of air with this dew point, at this temperature.

    With a part's temperature it is the humidity right at the part's surface.

    Parameters
    ----------
    temp_c : float or array
        Temperature [°C], -100 to 100.
    dew_c : float or array
        Dew point over water [°C], -100 to 100.

    Returns
    -------
    float or array of the broadcast shape
        Over water; above 100 where the temperature is below the dew point.

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    Sonntag 1990, eq. (7).

    >>> round(humidity_pct(20.0, 17.0), 1)
    82.9
    """
    return call(
        lambda t, d: 100.0 * either.exp(WATER.ln_pressure(d + ZERO_C_K) - WATER.ln_pressure(t + ZERO_C_K)),
        (temp_c, TEMP),
        (dew_c, _DEW),
    )


@overload
def absolute_humidity_g_m3(temp_c: float, humidity_pct: float) -> float: ...
@overload
def absolute_humidity_g_m3(temp_c: FloatArray, humidity_pct: float | FloatArray) -> FloatArray: ...
@overload
def absolute_humidity_g_m3(temp_c: float, humidity_pct: FloatArray) -> FloatArray: ...
def absolute_humidity_g_m3(
    temp_c: float | FloatArray, humidity_pct: float | FloatArray
) -> float | FloatArray:
    """Return the water in the air [g/m³].

    Parameters
    ----------
    temp_c : float or array
        Air temperature [°C], -100 to 100.
    humidity_pct : float or array
        Relative humidity over water [%], 0 to 100.

    Returns
    -------
    float or array of the broadcast shape

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    Ideal gas: vapour pressure / (461.52 J/(kg K) * T); WMO-No. 8, annex 4.A.

    >>> round(absolute_humidity_g_m3(20.0, 50.0), 2)
    8.64
    """
    return call(
        lambda t, h: vapour_pa(t, h) / (t + ZERO_C_K) * (G_PER_KG / _WATER_GAS_J_KG_K),
        (temp_c, TEMP),
        (humidity_pct, HUMIDITY),
    )


@overload
def humidity_ratio_g_kg(temp_c: float, humidity_pct: float, pressure_hpa: float = ...) -> float: ...
@overload
def humidity_ratio_g_kg(
    temp_c: FloatArray, humidity_pct: float | FloatArray, pressure_hpa: float | FloatArray = ...
) -> FloatArray: ...
@overload
def humidity_ratio_g_kg(
    temp_c: float, humidity_pct: FloatArray, pressure_hpa: float | FloatArray = ...
) -> FloatArray: ...
def humidity_ratio_g_kg(
    temp_c: float | FloatArray,
    humidity_pct: float | FloatArray,
    pressure_hpa: float | FloatArray = SEA_LEVEL_HPA,
) -> float | FloatArray:
    """Return grams of water per kilogram of dry air [g/kg].

    Parameters
    ----------
    temp_c : float or array
        Air temperature [°C], -100 to 100.
    humidity_pct : float or array
        Relative humidity over water [%], 0 to 100.
    pressure_hpa : float or array
        Air pressure at the place (not reduced to sea level) [hPa], 300 to 1100.

    Returns
    -------
    float or array of the broadcast shape
        NaN in an array where the vapour pressure reaches the air pressure (the air boils).

    Raises
    ------
    ValueError
        If an argument is outside its range, or a scalar call is at or beyond boiling.

    References
    ----------
    ASHRAE Fundamentals 2017, ch. 1, eq. (20).

    >>> round(humidity_ratio_g_kg(20.0, 50.0), 2)
    7.26
    """
    return call(
        lambda t, h, p: G_PER_KG * _ratio(vapour_pa(t, h), p),
        (temp_c, TEMP),
        (humidity_pct, HUMIDITY),
        (pressure_hpa, _PRESSURE),
        undefined="no humidity ratio: the vapour pressure reaches the air pressure",
    )


@overload
def wet_bulb_c(temp_c: float, humidity_pct: float, pressure_hpa: float = ...) -> float: ...
@overload
def wet_bulb_c(
    temp_c: FloatArray, humidity_pct: float | FloatArray, pressure_hpa: float | FloatArray = ...
) -> FloatArray: ...
@overload
def wet_bulb_c(
    temp_c: float, humidity_pct: FloatArray, pressure_hpa: float | FloatArray = ...
) -> FloatArray: ...
def wet_bulb_c(
    temp_c: float | FloatArray,
    humidity_pct: float | FloatArray,
    pressure_hpa: float | FloatArray = SEA_LEVEL_HPA,
) -> float | FloatArray:
    """Return the thermodynamic wet-bulb temperature [°C]: how cold evaporation can make a wet surface.

    Parameters
    ----------
    temp_c : float or array
        Air temperature [°C], -50 to 60.
    humidity_pct : float or array
        Relative humidity over water [%], 0 to 100.
    pressure_hpa : float or array
        Air pressure at the place [hPa], 300 to 1100.

    Returns
    -------
    float or array of the broadcast shape
        Over ice where it is below 0 °C (there it can exceed `temp_c` in air near saturation).

    Raises
    ------
    ValueError
        If an argument is outside its range.

    References
    ----------
    ASHRAE Fundamentals 2017, ch. 1, eq. (33) and, over ice, (35), solved by bisection.

    >>> round(wet_bulb_c(20.0, 50.0), 1)
    13.8
    """
    return call(_wet_bulb, (temp_c, _WET_TEMP), (humidity_pct, HUMIDITY), (pressure_hpa, _PRESSURE))


def _ratio(vapour: F, pressure_hpa: F) -> F:
    """Water per dry air [kg/kg]; NaN at and beyond boiling."""
    dry = pressure_hpa * PA_PER_HPA - vapour
    return _MASS_RATIO * vapour / either.nan_where(dry <= 0.0, dry)


def _ratio_at_wet_bulb(
    temp: FloatArray, wet: FloatArray, pressure_hpa: FloatArray, *, ice: bool
) -> FloatArray:
    """Water per dry air [kg/kg] when evaporation off water (eq. 33) or ice (eq. 35) cools to `wet`."""
    saturated = _ratio(either.exp((ICE if ice else WATER).ln_pressure(wet + ZERO_C_K)), pressure_hpa)
    latent, latent_slope, heat = (2830.0, 0.24, 2.1) if ice else (2501.0, 2.326, 4.186)
    gained = (latent - latent_slope * wet) * saturated - 1.006 * (temp - wet)
    return gained / (latent + 1.86 * temp - heat * wet)


def _wet_bulb(temp: FloatArray, humidity: FloatArray, pressure_hpa: FloatArray) -> FloatArray:
    """Bisect for the wet bulb; over water while that gives 0 °C or more, else over ice."""
    ratio = _ratio(vapour_pa(temp, humidity), pressure_hpa)
    temp = temp + np.zeros_like(ratio)
    zero = np.zeros_like(ratio)
    frozen = ~(_ratio_at_wet_bulb(temp, zero, pressure_hpa, ice=False) <= ratio)
    low = np.where(frozen, np.minimum(temp, 0.0) - _MAX_DEPRESSION_K, 0.0)
    high = np.where(frozen, np.minimum(temp + 1.0, 0.0), temp)
    for _ in range(45):
        middle = 0.5 * (low + high)
        reached = np.where(
            frozen,
            _ratio_at_wet_bulb(temp, middle, pressure_hpa, ice=True),
            _ratio_at_wet_bulb(temp, middle, pressure_hpa, ice=False),
        )
        too_warm = reached > ratio
        high = np.where(too_warm, middle, high)
        low = np.where(too_warm, low, middle)
    return np.where(np.isnan(ratio), np.nan, 0.5 * (low + high))
