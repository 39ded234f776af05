"""Dew point, for the node's own damp lamp. Good in 32-bit floats."""

from math import log


def dew_point_c(temp_c, humidity_pct):
    """Return the dew point over water [°C] from air [°C] and relative humidity [%].

    The Magnus form with the constants of WMO No. 8, annex 4.B. Raises ValueError for a humidity
    that is not above 0.
    """
    if not humidity_pct > 0:
        raise ValueError("humidity must be above 0 %")
    g = log(humidity_pct / 100.0) + 17.62 * temp_c / (243.12 + temp_c)
    return 243.12 * g / (17.62 - g)
