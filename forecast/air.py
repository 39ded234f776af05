"""Moist air: saturation pressure, dew and frost point, margin; `forecast.moisture` has the rest.

Relative humidity is over liquid water at every temperature, as sensors report it and as
meteorology defines it (WMO-No. 8, annex 4.D). Every function takes scalars and gives a
float, or takes float64 arrays (any mix that broadcasts) and gives a float64 array. An
argument out of range raises ValueError with its name and range; nothing is clamped. NaN
in an array gives NaN in its place.

Always take the dew point from the humidity sensor's own temperature: its die is warmer
than the air around it, and a humidity paired with another thermometer is off by as much.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, overload

from collector import either
from collector.units import ZERO_C_K
from forecast._sonntag import (
    HUMIDITY,
    ICE,
    LN_DRIEST,
    LN_ZERO,
    MIN_C,
    TEMP,
    WATER,
    Bound,
    call,
)

if TYPE_CHECKING:
    from collector.either import F, FloatArray

_ICE_TEMP = Bound("temp_c", "°C", MIN_C, 0.01)
_PART = Bound("part_c", "°C", MIN_C, 250.0)
_NO_DEW = "no dew point above -100 °C: the air is too dry"


@overload
def saturation_pressure_pa(temp_c: float) -> float: ...
@overload
def saturation_pressure_pa(temp_c: FloatArray) -> FloatArray: ...
def saturation_pressure_pa(temp_c: float | FloatArray) -> float | FloatArray:
    """Return the saturation pressure of water vapour over liquid water [Pa].

    Parameters
    ----------
    temp_c : float or array
        Temperature [°C], -100 to 100; below 0 over supercooled water.

    Returns
    -------
    float or array of the same shape
        Of the pure phase: the enhancement of about 0.4 % in air is left out, as is usual.

    Raises
    ------
    ValueError
        If a temperature is outside the range.

    References
    ----------
    Sonntag 1990, eq. (7); within 50 ppm of IAPWS-95 from 0 to 50 °C.

    >>> round(saturation_pressure_pa(20.0), 2)
    2339.25
    """
    return call(lambda t: either.exp(WATER.ln_pressure(t + ZERO_C_K)), (temp_c, TEMP))


@overload
def ice_saturation_pressure_pa(temp_c: float) -> float: ...
@overload
def ice_saturation_pressure_pa(temp_c: FloatArray) -> FloatArray: ...
def ice_saturation_pressure_pa(temp_c: float | FloatArray) -> float | FloatArray:
    """Return the saturation pressure of water vapour over ice [Pa].

    Parameters
    ----------
    temp_c : float or array
        Temperature [°C], -100 to 0.01 (the triple point).

    Returns
    -------
    float or array of the same shape

    Raises
    ------
    ValueError
        If a temperature is outside the range.

    References
    ----------
    Sonntag 1990, eq. (8).

    >>> round(ice_saturation_pressure_pa(-10.0), 2)
    259.89
    """
    return call(lambda t: either.exp(ICE.ln_pressure(t + ZERO_C_K)), (temp_c, _ICE_TEMP))


@overload
def dew_point_c(temp_c: float, humidity_pct: float) -> float: ...
@overload
def dew_point_c(temp_c: FloatArray, humidity_pct: float | FloatArray) -> FloatArray: ...
@overload
def dew_point_c(temp_c: float, humidity_pct: FloatArray) -> FloatArray: ...
def dew_point_c(temp_c: float | FloatArray, humidity_pct: float | FloatArray) -> float | FloatArray:
    """Return the dew point [°C], over liquid water even below 0 °C.

    Parameters
    ----------
    temp_c : float or array
        Temperature of the humidity sensor itself [°C], -100 to 100.
    humidity_pct : float or array
        Relative humidity over water [%], 0 to 100.

    Returns
    -------
    float or array of the broadcast shape
        NaN in an array where the air is so dry (0 % above all) that the dew point would
        lie below -100 °C.

    Raises
    ------
    ValueError
        If an argument is outside its range, or a scalar call has no dew point above -100 °C.

    References
    ----------
    Sonntag 1990, eq. (7), inverted by Newton steps; within 0.002 K of IAPWS-95 for dew
    points from 0 to 50 °C.

    >>> round(dew_point_c(20.0, 60.0), 2)
    12.01
    """
    return call(
        lambda t, h: WATER.temperature(_ln_vapour(t, h)),
        (temp_c, TEMP),
        (humidity_pct, HUMIDITY),
        undefined=_NO_DEW,
    )


@overload
def frost_point_c(temp_c: float, humidity_pct: float) -> float: ...
@overload
def frost_point_c(temp_c: FloatArray, humidity_pct: float | FloatArray) -> FloatArray: ...
@overload
def frost_point_c(temp_c: float, humidity_pct: FloatArray) -> FloatArray: ...
def frost_point_c(temp_c: float | FloatArray, humidity_pct: float | FloatArray) -> float | FloatArray:
    """Return the frost point [°C]: where hoar settles, if the dew point is below 0 °C.

    Parameters
    ----------
    temp_c : float or array
        Temperature of the humidity sensor itself [°C], -100 to 100.
    humidity_pct : float or array
        Relative humidity over water [%], 0 to 100.

    Returns
    -------
    float or array of the broadcast shape
        NaN in an array where the dew point is 0 °C or above, or below -100 °C.

    Raises
    ------
    ValueError
        If an argument is outside its range, or a scalar call has no frost point.

    References
    ----------
    Sonntag 1990, eq. (7) forward, eq. (8) inverted by Newton steps.

    >>> round(frost_point_c(-10.0, 100.0), 2)
    -8.9
    """
    return call(
        _frost_c,
        (temp_c, TEMP),
        (humidity_pct, HUMIDITY),
        undefined="no frost point from -100 to 0 °C",
    )


@overload
def dew_or_frost_point_c(temp_c: float, humidity_pct: float) -> float: ...
@overload
def dew_or_frost_point_c(temp_c: FloatArray, humidity_pct: float | FloatArray) -> FloatArray: ...
@overload
def dew_or_frost_point_c(temp_c: float, humidity_pct: FloatArray) -> FloatArray: ...
def dew_or_frost_point_c(temp_c: float | FloatArray, humidity_pct: float | FloatArray) -> float | FloatArray:
    """Return where water settles on a surface [°C]: the dew point, below 0 °C the frost point.

    Of the two the frost point is the warmer, so the safer.

    Parameters
    ----------
    temp_c : float or array
        Temperature of the humidity sensor itself [°C], -100 to 100.
    humidity_pct : float or array
        Relative humidity over water [%], 0 to 100.

    Returns
    -------
    float or array of the broadcast shape
        NaN in an array where the dew point would lie below -100 °C.

    Raises
    ------
    ValueError
        If an argument is outside its range, or a scalar call has no dew point above -100 °C.

    References
    ----------
    `dew_point_c`, `frost_point_c`.

    >>> round(dew_or_frost_point_c(20.0, 60.0), 2), round(dew_or_frost_point_c(5.0, 60.0), 2)
    (12.01, -1.87)
    """
    return call(_settling_c, (temp_c, TEMP), (humidity_pct, HUMIDITY), undefined=_NO_DEW)


@overload
def margin_k(part_c: float, temp_c: float, humidity_pct: float) -> float: ...
@overload
def margin_k(
    part_c: FloatArray, temp_c: float | FloatArray, humidity_pct: float | FloatArray
) -> FloatArray: ...
@overload
def margin_k(part_c: float, temp_c: FloatArray, humidity_pct: float | FloatArray) -> FloatArray: ...
@overload
def margin_k(part_c: float, temp_c: float, humidity_pct: FloatArray) -> FloatArray: ...
def margin_k(
    part_c: float | FloatArray, temp_c: float | FloatArray, humidity_pct: float | FloatArray
) -> float | FloatArray:
    """Return how far the part's surface is above the dew (or frost) point [K].

    Parameters
    ----------
    part_c : float or array
        Surface temperature of the part [°C], -100 to 250.
    temp_c : float or array
        Temperature of the humidity sensor itself [°C], -100 to 100.
    humidity_pct : float or array
        Relative humidity over water [%], 0 to 100.

    Returns
    -------
    float or array of the broadcast shape
        Negative where the part is wet. NaN in an array where there is no dew point.

    Raises
    ------
    ValueError
        If an argument is outside its range, or a scalar call has no dew point.

    References
    ----------
    `dew_or_frost_point_c`. Coating practice wants 3 °C or more (MIL-HDBK-1110, 9.6.6: 5 °F).

    >>> round(margin_k(15.0, 20.0, 60.0), 2)
    2.99
    """
    return call(
        lambda p, t, h: p - _settling_c(t, h),
        (part_c, _PART),
        (temp_c, TEMP),
        (humidity_pct, HUMIDITY),
        undefined=_NO_DEW,
    )


@overload
def margin_uncertainty_k(
    temp_c: float,
    humidity_pct: float,
    *,
    part_uncertainty_k: float,
    temp_uncertainty_k: float,
    humidity_uncertainty_pct: float,
) -> float: ...
@overload
def margin_uncertainty_k(
    temp_c: FloatArray,
    humidity_pct: float | FloatArray,
    *,
    part_uncertainty_k: float,
    temp_uncertainty_k: float,
    humidity_uncertainty_pct: float,
) -> FloatArray: ...
@overload
def margin_uncertainty_k(
    temp_c: float,
    humidity_pct: FloatArray,
    *,
    part_uncertainty_k: float,
    temp_uncertainty_k: float,
    humidity_uncertainty_pct: float,
) -> FloatArray: ...
def margin_uncertainty_k(
    temp_c: float | FloatArray,
    humidity_pct: float | FloatArray,
    *,
    part_uncertainty_k: float,
    temp_uncertainty_k: float,
    humidity_uncertainty_pct: float,
) -> float | FloatArray:
    """Return the ± of the margin that comes from the sensors' own ± [K].

    The part's probe and the humidity sensor err independently (root of the sum of
    squares). The humidity sensor's temperature and humidity come from one chip with a
    correlation that no data sheet gives, so those two are added outright.

    Parameters
    ----------
    temp_c : float or array
        Temperature of the humidity sensor itself [°C], -100 to 100.
    humidity_pct : float or array
        Relative humidity over water [%], 0 to 100.
    part_uncertainty_k, temp_uncertainty_k : float
        The ± of the part's probe and of the humidity sensor's temperature [K], 0 or more.
    humidity_uncertainty_pct : float
        The ± of its humidity [% RH], 0 or more.

    Returns
    -------
    float or array of the broadcast shape
        With the meaning of the ± put in. NaN in an array where there is no dew point.

    Raises
    ------
    ValueError
        If an argument is outside its range, or a scalar call has no dew point.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1.2 for the independent part, 5.2.2 note 1 for the dependent part.

    >>> round(margin_uncertainty_k(20.0, 80.0, part_uncertainty_k=0.5, temp_uncertainty_k=0.2,
    ...                            humidity_uncertainty_pct=1.8), 1)
    0.7
    """
    for name, value in (
        ("part_uncertainty_k", part_uncertainty_k),
        ("temp_uncertainty_k", temp_uncertainty_k),
        ("humidity_uncertainty_pct", humidity_uncertainty_pct),
    ):
        if not 0.0 <= value < math.inf:
            raise ValueError(f"{name} {value:g} must be 0 or more")

    def kernel(temp: F, humidity: F) -> F:
        settling = _settling_c(temp, humidity) + ZERO_C_K
        slope = either.where(settling < ZERO_C_K, ICE.slope(settling), WATER.slope(settling))
        chip = (
            WATER.slope(temp + ZERO_C_K) * temp_uncertainty_k + humidity_uncertainty_pct / humidity
        ) / slope
        return either.hypot(part_uncertainty_k, chip)

    return call(kernel, (temp_c, TEMP), (humidity_pct, HUMIDITY), undefined=_NO_DEW)


def _ln_vapour(temp: F, humidity: F) -> F:
    """ln(vapour pressure/Pa), NaN where it is too dry for a dew point."""
    ln_vapour = either.log(humidity * 0.01) + WATER.ln_pressure(temp + ZERO_C_K)
    return either.nan_where(ln_vapour < LN_DRIEST, ln_vapour)


def _frost_c(temp: F, humidity: F) -> F:
    ln_vapour = _ln_vapour(temp, humidity)
    return ICE.temperature(either.nan_where(ln_vapour >= LN_ZERO, ln_vapour))


def _settling_c(temp: F, humidity: F) -> F:
    ln_vapour = _ln_vapour(temp, humidity)
    return either.mended(WATER.temperature(ln_vapour), ln_vapour < LN_ZERO, ICE.temperature, ln_vapour)
