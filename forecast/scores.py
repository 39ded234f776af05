"""How good forecasts were: a perfect one scores exactly 0."""

import numpy as np

from forecast.past import DAY_STEPS, STEP_US, Array, Times


def crps(samples: Array, truth: Array) -> Array:
    """Return the continuous ranked probability score of each row, in the values' unit.

    Parameters
    ----------
    samples : (n, m) array
        Equally likely outcomes.
    truth : (n,) array
        What was measured.

    Notes
    -----
    E|X - y| - E|X - X'| / 2, Gneiting and Raftery 2007, eq. 21, doi 10.1198/016214506000001437.

    >>> crps(np.array([[1.0, 1.0]]), np.array([1.0])).tolist()
    [0.0]
    """
    ordered = np.sort(samples, axis=1)
    count = samples.shape[1]
    rank = 2.0 * np.arange(1, count + 1) - count - 1.0
    apart = (ordered * rank).sum(axis=1) / count**2
    score: Array = np.abs(samples - truth[:, None]).mean(axis=1) - apart
    return score


def score(
    samples: Array, truth: Array, times_us: Times, persistence: Array, yesterday: Array
) -> dict[str, float | int | None]:
    """Return the scores of one bay, quantity and horizon over origins at `times_us`.

    Origins without a measured target, or without a value to persist, are left out.

    >>> perfect = np.full((3, 4), 20.0)
    >>> found = score(perfect, perfect[:, 0], np.arange(3), perfect[:, 1], perfect[:, 2])
    >>> found["mae"], found["crps"], found["cover80"]
    (0.0, 0.0, 1.0)
    """
    kept = np.isfinite(truth) & np.isfinite(samples).all(axis=1)
    samples, truth, times_us = samples[kept], truth[kept], times_us[kept]
    if not len(truth):
        return {"n": 0}
    low, middle, high = np.quantile(samples, [0.1, 0.5, 0.9], axis=1)
    inside = ((truth >= low) & (truth <= high)).astype(np.float64)
    week = (times_us - times_us[0]) // (7 * DAY_STEPS * STEP_US)
    weeks = [inside[week == one].mean() for one in np.unique(week) if (week == one).sum() >= DAY_STEPS]
    by_persistence, by_yesterday = np.abs(persistence[kept] - truth), np.abs(yesterday[kept] - truth)
    return {
        "n": len(truth),
        "mae": float(np.abs(middle - truth).mean()),
        "bias": float((middle - truth).mean()),
        "crps": float(crps(samples, truth).mean()),
        "cover80": float(inside.mean()),
        "width80": float((high - low).mean()),
        "cover80_worst_week": float(min(weeks)) if weeks else None,
        "mae_persistence": _mean(by_persistence),
        "mae_yesterday": _mean(by_yesterday),
    }


def _mean(errors: Array) -> float | None:
    known = errors[np.isfinite(errors)]
    return float(known.mean()) if len(known) else None
