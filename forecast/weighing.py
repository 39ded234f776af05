"""The mix of experts: each weighed, per bay, quantity and horizon, by its own matured errors.

Errors count by the time of day at which the forecast was made: an expert that is good at
dawn has the say at dawn. Whoever won lately was also lucky, so the mix itself is then
weighed against what anybody can do without a model: where its own matured errors are not
smaller than theirs, it gives way.
"""

import numpy as np

from forecast.baselines import lagged
from forecast.experts import KNOTS, NAIVE, TREES
from forecast.past import DAY_STEPS, Array

_DAYS = 20
_HALF_WIDTH_STEPS = 6
# Experts differ by a few per cent, so the weight must fall steeply with the error; measured on the
# open sets, the tenth power is as good as choosing weights by regression and never runs away.
_STEEPNESS = 10.0
_ENOUGH = 12
_GUARD_STEPS = 20 * DAY_STEPS
_GUARD_ENOUGH = 24
_GUARD_STEEPNESS = 20.0
# So that its twentieth power is still a number.
_LARGEST_RATIO = 1e6
# How much of the mix is the trees', by half hours ahead, while they err as much as it does; with more error
# less. Between, and up to half a day, what they add is drawn in straight lines. Chosen with
# all open sets in view.
_TREES_SHARE = {2: 0.5, 6: 0.5, 12: 0.4}
_TREES_STEEPNESS = 4.0
_TREES_MOST = 0.8
_TREES_END = 24
# The naive ones start with this much of the mix's voice: they must earn the rest.
_NAIVE_PRIOR = 0.3


def matured_means(
    errors: Array, knot: int, window_steps: int = _GUARD_STEPS, first: int = 0
) -> tuple[Array, Array]:
    """Return the mean and the count, at each step from `first` on, of the errors that had matured by then.

    `errors` is (..., n) by origin; an error `knot` steps ahead is known `knot` steps later.
    """
    ends = np.maximum(0, np.arange(first, errors.shape[-1]) - knot + 1)
    total, count = _sums(errors)
    starts = np.maximum(0, ends - window_steps)
    return _mean(total[..., ends] - total[..., starts], count[..., ends] - count[..., starts])


def matured_means_by_hour(errors: Array, knot: int, first: int = 0) -> tuple[Array, Array]:
    """Return the same over forecasts made at about each step's time of day in the last weeks."""
    origins = np.arange(first, errors.shape[-1])
    total, count = _sums(errors)
    summed = np.zeros((*errors.shape[:-1], len(origins)))
    counted = np.zeros(summed.shape)
    there = (errors.shape[-1] + _HALF_WIDTH_STEPS) // DAY_STEPS  # a young shed has no more days than that
    for day in range(1, 1 + min(_DAYS + -(-knot // DAY_STEPS), there)):
        middle = origins - DAY_STEPS * day
        ends = np.maximum(0, np.minimum(middle + _HALF_WIDTH_STEPS, origins - knot) + 1)
        starts = np.minimum(np.maximum(0, middle - _HALF_WIDTH_STEPS), ends)
        summed += total[..., ends] - total[..., starts]
        counted += count[..., ends] - count[..., starts]
    return _mean(summed, counted)


def _sums(errors: Array) -> tuple[Array, Array]:
    known = np.isfinite(errors)
    edge = np.zeros((*errors.shape[:-1], 1))
    total = np.concatenate([edge, np.cumsum(np.where(known, errors, 0.0), axis=-1)], axis=-1)
    return total, np.concatenate([edge, np.cumsum(known, axis=-1)], axis=-1)


def _mean(total: Array, count: Array) -> tuple[Array, Array]:
    return np.where(count > 0, total / np.maximum(count, 1), np.nan), count


def mixed(said: Array, measured: Array, first: int = 0) -> Array:
    """Return the mix (knots, n - first) of what the experts said (experts, knots, n), from step `first` on.

    The first experts are the naive ones (`NAIVE`). The last one, the trees
    (`TREES`), has a share of its own. An expert that is silent, or has matured too little, has
    no voice; before any has, all that speak count alike.
    """
    # The guard looks at what the mix said in the weeks before `first`, and the trees' share at those before.
    early = max(0, first - 2 * (_GUARD_STEPS + KNOTS[-1]))
    mix = np.stack([
        _by_hour(said[:TREES, place], lagged(measured, -knot), knot, early)
        for place, knot in enumerate(KNOTS)
    ])  # fmt: skip
    mix += _bend(mix, said[TREES, :, early:], measured[early:])
    points = np.empty((len(KNOTS), said.shape[-1] - first))
    for place, knot in enumerate(KNOTS):
        guarded = np.concatenate([mix[place][None], said[:NAIVE, place, early:]])
        points[place] = _guarded(guarded, lagged(measured, -knot)[early:], knot)[first - early :]
    return points


def _bend(mix: Array, trees: Array, measured: Array) -> Array:
    """Return what the trees add to the mix, both (knots, n) by origin."""
    added = [np.zeros(mix.shape[1])]
    for knot, share in _TREES_SHARE.items():
        voices = np.stack([mix[KNOTS.index(knot)], trees[KNOTS.index(knot)]])
        errors = np.abs(voices - lagged(measured, -knot))
        # Both are measured by the same hours: trees are silent in the weeks when a mix is at its worst.
        errors[0] = np.where(np.isfinite(errors[1]), errors[0], np.nan)
        mean, count = matured_means(errors, knot)
        known = (count[1] >= _GUARD_ENOUGH) & (mean[1] > 0)
        ratio = np.where(known, mean[0] / np.where(known, mean[1], 1.0), 1.0)
        share_now = np.minimum(share * np.minimum(ratio, _LARGEST_RATIO) ** _TREES_STEEPNESS, _TREES_MOST)
        added.append(np.nan_to_num(share_now * (voices[1] - voices[0])))
    added.append(added[0])
    knots = np.array((0, *_TREES_SHARE, _TREES_END))
    right = np.clip(np.searchsorted(knots, KNOTS), 1, len(knots) - 1)
    part = np.clip((np.array(KNOTS) - knots[right - 1]) / (knots[right] - knots[right - 1]), 0.0, 1.0)
    edges = np.stack(added)
    found: Array = edges[right - 1] * (1.0 - part)[:, None] + edges[right] * part[:, None]
    return found


def _by_hour(voices: Array, target: Array, knot: int, first: int) -> Array:
    """Return the mean of the voices, each weighed by its errors at the time of day."""
    errors = np.abs(voices - target)
    mean, count = matured_means_by_hour(errors, knot, first)
    overall, overall_count = matured_means(errors, knot, first=first)
    mean = np.where(count >= _ENOUGH, mean, overall)
    count = np.maximum(count, overall_count)
    floor = 1e-6 + np.nanmean(np.where(np.isfinite(mean), mean, 0.0), axis=0) * 1e-3
    weight = np.where(count >= _ENOUGH, np.maximum(np.nan_to_num(mean, nan=1.0), floor) ** -_STEEPNESS, 0.0)
    return _weighed(voices[:, first:], weight)


def _guarded(voices: Array, target: Array, knot: int) -> Array:
    """Return the first voice, or as far as the others have lately been better, theirs."""
    mean, count = matured_means(np.abs(voices - target), knot)
    ratio = np.where((count >= _GUARD_ENOUGH) & (mean > 0), mean[0] / np.where(mean > 0, mean, 1.0), 0.0)
    weight = _NAIVE_PRIOR * np.clip(np.nan_to_num(ratio), 0.0, _LARGEST_RATIO) ** _GUARD_STEEPNESS
    weight[0] = 1.0
    return _weighed(voices, weight)


def _weighed(voices: Array, weight: Array) -> Array:
    speaks = np.isfinite(voices)
    weight = np.where(speaks, weight, 0.0)
    weight = np.where(weight.sum(axis=0) > 0, weight, speaks)
    total = weight.sum(axis=0)
    found: Array = np.where(
        total > 0, (weight * np.nan_to_num(voices)).sum(axis=0) / np.where(total > 0, total, 1.0), np.nan
    )
    return found
