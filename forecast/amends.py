"""What the mix's own latest errors say of the next: a small regression on what it just got wrong.

Experts see readings, not how far off they were. A forecast that has been too warm all morning is
mostly too warm at noon as well, and one that strays from the usual day often strays too far. So
the error of each knot is regressed on the newest errors that have been measured, and on how far
the mix lies from the naive ones: a ridge about nothing, fitted to least absolute error every
midnight (UTC) to the last two months.
"""

import numpy as np

from forecast.baselines import lagged, same_hour, usual_day
from forecast.experts import KNOTS
from forecast.past import DAY_STEPS, STEP_US, Array, Times, filled
from forecast.weighing import matured_means

_DAYS = 60
# Of inputs that vary by one: an input's share of the error counts half. Chosen on the open sets.
_PENALTY = 1.0
_CLIP_SD = 6.0
# Half hours ahead whose newest errors tell of all others.
_TELLING = (1, 2, 4, 8, 20, 44)
_MEAN_DAYS = (1, 10)
# Every other half hour: neighbours say nearly the same.
_THINNED = 2
_MIN_ROWS = 96


def amended(mix: Array, measured: Array, times_us: Times, first: int = 0) -> Array:
    """Return the mix (knots, n - first) from step `first` on, less what its latest errors say of its next.

    Parameters
    ----------
    mix : (knots, n) array
        What the mix said by origin; NaN where it was silent.
    measured : (n,) array
        The quantity in its unit; NaN where nothing was heard.
    times_us : (n,) array
        The steps' times [microseconds since 1970 UTC].

    Notes
    -----
    At each origin only errors whose targets had been measured by then are looked at, and
    the ridge of a day is fitted to what had been measured by its midnight.
    """
    values = filled(measured, "")
    heard = np.where(np.isfinite(measured), measured, np.nan)
    errors = np.stack([lagged(heard, -knot) for knot in KNOTS]) - mix
    clock = times_us // STEP_US
    points = mix[:, first:].copy()
    for place, knot in enumerate(KNOTS):
        inputs = _inputs(mix, errors, values, place)
        for midnight, end in _days(clock, first):
            rows = np.arange(max(0, midnight - knot - _DAYS * DAY_STEPS), max(0, midnight - knot + 1))
            rows = rows[(clock[rows] % _THINNED == 0) & np.isfinite(errors[place, rows])]
            if len(rows) >= _MIN_ROWS:
                span = np.arange(max(first, midnight), end)
                points[place, span - first] += _expected(inputs, errors[place], rows, span)
    return points


def _days(clock: Times, first: int) -> list[tuple[int, int]]:
    """Return each midnight as a step, the first maybe below 0, and where its day ends, from `first` on."""
    if first >= len(clock):
        return []
    begin = first - int(clock[first] % DAY_STEPS)
    starts = range(begin, len(clock), DAY_STEPS)
    return [(start, min(start + DAY_STEPS, len(clock))) for start in starts]


def _inputs(mix: Array, errors: Array, values: Array, place: int) -> Array:
    """Return (n, inputs) by origin, all in the quantity's unit and 0 where nothing is known."""
    knot, said, own = KNOTS[place], mix[place], errors[place]
    columns = [lagged(own, knot), lagged(own, DAY_STEPS * -(-knot // DAY_STEPS))]
    for days in _MEAN_DAYS:
        mean, count = matured_means(own, knot, days * DAY_STEPS)
        # a mean of few is no news yet
        columns.append(mean * count / (days * DAY_STEPS))
    columns += [lagged(errors[KNOTS.index(near)], near) for near in _TELLING if near != knot]
    columns += [naive - said for naive in (values, same_hour(values, knot), usual_day(values, knot))]
    return np.nan_to_num(np.stack(columns, axis=1))


def _expected(inputs: Array, errors: Array, rows: Times, span: Times) -> Array:
    """Return the errors to expect at the origins of `span`, learned from those of `rows`."""
    scale = inputs[rows].std(axis=0) + 1e-9
    known = np.clip(inputs[rows] / scale, -_CLIP_SD, _CLIP_SD)
    target = errors[rows]
    miss = np.abs(target - known @ _slopes(known, target, np.ones(len(rows))))
    weight = 1.0 / np.maximum(miss, 0.3 * np.median(miss) + 1e-9)
    slopes = _slopes(known, target, weight / weight.mean())
    found: Array = np.clip(inputs[span] / scale, -_CLIP_SD, _CLIP_SD) @ slopes
    return found


def _slopes(known: Array, target: Array, weight: Array) -> Array:
    weighted = known * weight[:, None]
    gram = weighted.T @ known + _PENALTY * len(target) * np.eye(known.shape[1])
    return np.asarray(np.linalg.solve(gram, weighted.T @ target), dtype=np.float64)
