"""Seasonal AutoARIMA on a few origins, where statsforecast (the extra ``bench``) is installed."""

from collections.abc import Mapping, Sequence

import numpy as np

from forecast.baselines import lagged
from forecast.past import DAY_STEPS, Array, Times

_TRAINED_ON_H = 21 * 24


def rows(
    measured: Array, ours: Array, steps: Times, horizons_h: Sequence[int], count: int
) -> Mapping[str, Array]:
    """Return its errors, and ours on the same origins, as rows (horizons,); nothing where it is missing."""
    try:
        from statsforecast.models import AutoARIMA
    except ImportError:
        print("statsforecast is not installed: no AutoARIMA row (pip install -e '.[bench]')")
        return {}
    last = steps[steps < len(measured) - 2 * DAY_STEPS]
    chosen = last[np.linspace(0, len(last) - 1, count).astype(np.int64)]
    found: list[Array] = []
    beside: list[Array] = []
    for origin in chosen:
        past = measured[origin - 2 * _TRAINED_ON_H + 2 : origin + 1 : 2]
        if len(past) < _TRAINED_ON_H // 2 or not np.isfinite(past).all():
            continue
        said = AutoARIMA(season_length=24).forecast(y=past, h=max(horizons_h))["mean"]
        truth = np.array([lagged(measured, -2 * hours)[origin] for hours in horizons_h])
        found.append(np.abs(said[np.array(horizons_h) - 1] - truth))
        beside.append(np.abs(ours[:, origin] - truth))
    if not found:
        return {}
    return {"AutoARIMA": np.nanmean(found, axis=0), "ours there": np.nanmean(beside, axis=0)}
