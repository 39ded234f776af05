"""Seasonal AutoARIMA, where statsforecast (the extra ``bench``) is installed.

Its orders and coefficients are searched anew every fortnight over the last three weeks of hours
(10 to 40 s each); between searches it speaks with them from the readings up to each origin, as it would live.
"""

import numpy as np

from forecast.past import DAY_STEPS, Array, Times, filled

_TRAINED_ON_H = 21 * 24
_SEARCHED_EVERY_STEPS = 14 * DAY_STEPS


def said(measured: Array, steps: Times, horizons_h: tuple[int, ...]) -> Array:
    """Return what it says (horizons, n) by origin; NaN at origins that are not among `steps`.

    Raises
    ------
    ImportError
        Where statsforecast is missing.
    """
    from statsforecast.models import AutoARIMA

    values = filled(measured, "")
    spoken = np.full((len(horizons_h), len(values)), np.nan)
    places = np.array(horizons_h) - 1
    for search in range(int(steps[0]), len(values), _SEARCHED_EVERY_STEPS):
        model = AutoARIMA(season_length=24).fit(y=_hours(values, search))
        for origin in steps[(steps >= search) & (steps < search + _SEARCHED_EVERY_STEPS)]:
            spoken[:, origin] = model.forward(y=_hours(values, origin), h=max(horizons_h))["mean"][places]
    return spoken


def _hours(values: Array, origin: int) -> Array:
    """Return the last hourly values up to an origin."""
    return values[max(origin % 2, origin - 2 * _TRAINED_ON_H + 2) : origin + 1 : 2]
