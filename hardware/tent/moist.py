"""Moist air for the simulated shed: the Magnus formulas of WMO-No. 8, and nothing shared with layday.

An estimator that is tested on this shed must not be tested against its own formulas.
Source: WMO-No. 8, Guide to Instruments and Methods of Observation, annex 4.B, over liquid water, as humidity
sensors report it, below 0 °C too. Valid from -45 to 60 °C.
"""

import math

LATENT_J_KG = 2.47e6
"""Heat of evaporation of water, held at its value near 12 °C so that the energy balance closes exactly."""

_GAS_J_KG_K = 461.5
_LOW_C, _HIGH_C = -45.0, 60.0
_SATURATED_PCT = 100.0


def saturation_hpa(temp_c: float) -> float:
    """Return the saturation vapour pressure over water [hPa].

    Parameters
    ----------
    temp_c : float
        Temperature [°C], -45 to 60.

    Raises
    ------
    ValueError
        Outside that range, or if `temp_c` is not a number.

    >>> round(saturation_hpa(20.0), 3)
    23.326
    """
    if not _LOW_C <= temp_c <= _HIGH_C:
        raise ValueError(f"temp_c must be from {_LOW_C:g} to {_HIGH_C:g} °C, not {temp_c}")
    return 6.112 * math.exp(17.62 * temp_c / (243.12 + temp_c))


def saturation_kg_m3(temp_c: float) -> float:
    """Return the vapour that air at `temp_c` holds when saturated over water [kg/m³].

    Parameters
    ----------
    temp_c : float
        Temperature [°C], -45 to 60.

    Raises
    ------
    ValueError
        Outside that range.

    >>> round(saturation_kg_m3(20.0), 5)
    0.01724
    """
    return saturation_hpa(temp_c) * 100.0 / (_GAS_J_KG_K * (temp_c + 273.15))


def dew_point_c(temp_c: float, humidity_pct: float) -> float:
    """Return the dew point over water [°C].

    Parameters
    ----------
    temp_c : float
        Temperature [°C], -45 to 60.
    humidity_pct : float
        Relative humidity over water [%], above 0 to 100.

    Raises
    ------
    ValueError
        Outside those ranges.

    >>> round(dew_point_c(20.0, 60.0), 2)
    12.0
    """
    if not 0.0 < humidity_pct <= _SATURATED_PCT:
        raise ValueError(f"humidity_pct must be above 0 and at most 100 %, not {humidity_pct}")
    log_ratio = math.log(saturation_hpa(temp_c) * humidity_pct / 100.0 / 6.112)
    return 243.12 * log_ratio / (17.62 - log_ratio)


def humidity_pct(temp_c: float, vapour_kg_m3: float) -> float:
    """Return the relative humidity over water [%] of air that holds `vapour_kg_m3`.

    Above 100 where the air is supersaturated.

    Parameters
    ----------
    temp_c : float
        Temperature [°C], -45 to 60.
    vapour_kg_m3 : float
        Vapour in the air [kg/m³], 0 or more.

    Raises
    ------
    ValueError
        Outside those ranges.

    >>> round(humidity_pct(20.0, saturation_kg_m3(20.0) / 2), 6)
    50.0
    """
    if not vapour_kg_m3 >= 0.0:
        raise ValueError(f"vapour_kg_m3 must be 0 or more, not {vapour_kg_m3}")
    return 100.0 * vapour_kg_m3 / saturation_kg_m3(temp_c)
