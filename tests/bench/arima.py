"""Seasonal AutoARIMA beside ours, where statsforecast (the extra ``bench``) is installed.

Its order and coefficients are searched anew every four weeks over the last three (half a minute
each); between searches it speaks with them from the readings up to each origin, as it would live.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from forecast.baselines import lagged
from forecast.past import DAY_STEPS, Array, Times, filled

_TRAINED_ON_H = 21 * 24
_SEARCHED_EVERY_STEPS = 28 * DAY_STEPS
# Origins 7 h apart go round the clock.
_EVERY_STEPS = 14


def rows(measured: Array, ours: Array, steps: Times, horizons_h: Sequence[int]) -> Mapping[str, Array]:
    """Return its errors, and ours on the same origins, as rows (horizons,); nothing where it is missing."""
    try:
        from statsforecast.models import AutoARIMA
    except ImportError:
        print("statsforecast is not installed: no AutoARIMA row (pip install -e '.[bench]')")
        return {}
    values = filled(measured, "")
    truths = np.stack([lagged(measured, -2 * hours) for hours in horizons_h])
    theirs, beside = [], []
    last = len(measured) - 2 * max(horizons_h)
    for search in range(int(steps[0]), last, _SEARCHED_EVERY_STEPS):
        model = AutoARIMA(season_length=24).fit(y=_past(values, search))
        for origin in range(search, min(last, search + _SEARCHED_EVERY_STEPS), _EVERY_STEPS):
            said = model.forward(y=_past(values, origin), h=max(horizons_h))["mean"]
            truth = truths[:, origin]
            theirs.append(np.abs(said[np.array(horizons_h) - 1] - truth))
            beside.append(np.abs(ours[:, origin] - truth))
    if not theirs:
        return {}
    return {"AutoARIMA": np.nanmean(theirs, axis=0), "ours there": np.nanmean(beside, axis=0)}


def _past(values: Array, origin: int) -> Array:
    """Return the last hourly values up to an origin."""
    return values[max(origin % 2, origin - 2 * _TRAINED_ON_H + 2) : origin + 1 : 2]
