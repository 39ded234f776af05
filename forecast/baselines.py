"""The forecasts that anybody makes without a model; whatever we offer must beat them."""

import numpy as np

from forecast.past import DAY_STEPS, Array


def lagged(values: Array, steps: int) -> Array:
    """Return the values `steps` earlier (later where negative); NaN beyond the ends.

    >>> lagged(np.array([1.0, 2.0, 3.0]), 1).tolist()
    [nan, 1.0, 2.0]
    """
    moved = np.full(len(values), np.nan)
    if steps >= len(values) or -steps >= len(values):
        return moved
    if steps > 0:
        moved[steps:] = values[:-steps]
    elif steps < 0:
        moved[:steps] = values[-steps:]
    else:
        moved[:] = values
    return moved


def same_hour(values: Array, ahead_steps: int, days: int = 1) -> Array:
    """Return what was measured at the target's hour, `days` known days before it.

    At 30 h ahead "yesterday" is two days before the target: the last one already known.
    """
    known = max(1, -(-ahead_steps // DAY_STEPS))
    return lagged(values, DAY_STEPS * (known + days - 1) - ahead_steps)


def persistence(values: Array) -> Array:
    """Return, for each origin, the value now."""
    return values.copy()


def usual_day(values: Array, ahead_steps: int, days: int = 7, fading_ratio: float = 0.75) -> Array:
    """Return the fading mean of the last `days` known days at the target's hour; NaN before the first."""
    total = np.zeros(len(values))
    weight = np.zeros(len(values))
    for day in range(1, days + 1):
        past = same_hour(values, ahead_steps, day)
        known = np.isfinite(past)
        total[known] += fading_ratio**day * past[known]
        weight[known] += fading_ratio**day
    return np.where(weight > 0, total / np.maximum(weight, 1e-12), np.nan)


def running_mean(values: Array, steps: int) -> Array:
    """Return the mean of the last `steps` values at each step; of fewer at the start."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    ends = np.arange(1, len(values) + 1)
    starts = np.maximum(0, ends - steps)
    mean: Array = (sums[ends] - sums[starts]) / (ends - starts)
    return mean


def level_above_usual(values: Array, known_days: int) -> Array:
    """Return how far the last 24 h lie above the usual day, for targets up to so many days ahead."""
    first = (known_days - 1) * DAY_STEPS + 1
    hours = range(0, DAY_STEPS, 4)
    mean = np.mean([usual_day(values, first + hour, fading_ratio=0.85) for hour in hours], axis=0)
    level: Array = running_mean(values, DAY_STEPS) - mean
    return level


def usual_day_at_level(values: Array, ahead_steps: int, level: Array) -> Array:
    """Return the usual day's course, moved to the mean of the last 24 h (see `level_above_usual`)."""
    moved: Array = usual_day(values, ahead_steps, fading_ratio=0.85) + level
    return moved
