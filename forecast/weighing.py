"""The mix of experts: each weighed, per bay, quantity and horizon, by its own matured errors."""

import numpy as np

from forecast.baselines import lagged
from forecast.experts import KNOTS
from forecast.past import DAY_STEPS, Array

WINDOW_STEPS = 10 * DAY_STEPS
# Experts differ by a few per cent, so the weight must fall steeply with the error; measured on the
# open sets, the tenth power is as good as choosing weights by regression and never runs away.
_STEEPNESS = 10.0
_ENOUGH = 24


def matured_means(errors: Array, knot: int, window_steps: int = WINDOW_STEPS) -> tuple[Array, Array]:
    """Return the mean and the count, at each step, of the errors that had matured by then.

    `errors` is (..., n) by origin; an error `knot` steps ahead is known `knot` steps later.
    """
    known = np.isfinite(errors)
    edge = np.zeros((*errors.shape[:-1], 1))
    sums = np.concatenate([edge, np.cumsum(np.where(known, errors, 0.0), axis=-1)], axis=-1)
    counts = np.concatenate([edge, np.cumsum(known, axis=-1)], axis=-1)
    ends = np.maximum(0, np.arange(errors.shape[-1]) - knot + 1)
    starts = np.maximum(0, ends - window_steps)
    count = counts[..., ends] - counts[..., starts]
    mean = (sums[..., ends] - sums[..., starts]) / np.maximum(count, 1)
    return np.where(count > 0, mean, np.nan), count


def mixed(said: Array, measured: Array, steepness_exponent: float = _STEEPNESS) -> Array:
    """Return the mix (knots, n) of what the experts said (experts, knots, n).

    An expert that is silent, or has matured too little, has no voice; before any has, all
    that speak count alike.
    """
    points = np.full(said.shape[1:], np.nan)
    for place, knot in enumerate(KNOTS):
        voices = said[:, place]
        errors = np.abs(voices - lagged(measured, -knot))
        mean, count = matured_means(errors, knot)
        floor = 1e-6 + np.nanmean(np.where(np.isfinite(mean), mean, 0.0), axis=0) * 1e-3
        weight = np.where(
            count >= _ENOUGH, np.maximum(np.nan_to_num(mean, nan=1.0), floor) ** -steepness_exponent, 0.0
        )
        speaks = np.isfinite(voices)
        weight = np.where(speaks, weight, 0.0)
        weight = np.where(weight.sum(axis=0) > 0, weight, speaks)
        total = weight.sum(axis=0)
        points[place] = np.where(
            total > 0, (weight * np.nan_to_num(voices)).sum(axis=0) / np.where(total > 0, total, 1.0), np.nan
        )
    return points
