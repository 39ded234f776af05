"""How far off a forecast may be: matured errors of the same time of day, kept honest by feedback.

The marginals are quantiles of past signed errors at about the same time of day; factors for
each tail and horizon follow from adaptive conformal feedback (Gibbs and Candès 2021,
arXiv:2106.00170): each target that fell outside widens its tail, each inside narrows it a
little, and only once the target has been measured. A far horizon learns late whether it was
right; but days that go wrong also go wrong at near horizons, so errors are first divided by
how large the matured ones of the last day were beside their usual size.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast.baselines import lagged
from forecast.experts import KNOTS
from forecast.past import DAY_STEPS, Array, moved
from forecast.weighing import matured_means

Steps = npt.NDArray[np.int64]

POOL_DAYS = 28
_POOL_WIDTH = 3
TAIL_ODDS = 0.10
# Late feedback that pulls hard swings to and fro: the pull fades with the horizon.
_FEEDBACK = 0.15
_FEEDBACK_FADES_H = 6.0
# How far the spread follows the size of the last day's errors beside that of two weeks.
_FOLLOWS_SIZE_EXPONENT = 0.4
_SIZE_STEPS = DAY_STEPS
_USUAL_SIZE_STEPS = 14 * DAY_STEPS
_SIZES_RATIO = (1 / 3, 3.0)
# A month of nights is few, and their own quantiles are too narrow for the next one.
_FIRST_FACTOR = 1.1
_TAIL_AIM = 0.096
_FACTORS = (0.5, 4.0)
# A prior for a poly tent, from common practice (no source): how far the air may wander.
_PRIOR_SD = {"air_c": 5.0, "part_c": 4.0, "humidity_pct": 15.0}
_PRIOR_ROWS = 48
_BIAS_TRUST = 0.2
_HOURS = np.array(KNOTS) / 2.0


def pool_steps(origin: int) -> Steps:
    """Return the origins of the last weeks at about the time of day of `origin`; none below 0."""
    days = np.arange(POOL_DAYS)[:, None] * DAY_STEPS
    near = origin - days + np.arange(-_POOL_WIDTH, _POOL_WIDTH + 1)[None, :]
    steps = np.sort(near.ravel())
    kept: Steps = steps[(steps >= 0) & (steps < origin)]
    return kept


@dataclass(frozen=True, slots=True)
class Pool:
    """Sorted errors per knot (knots, rows), how many of each count, and the factors of the tails."""

    errors: Array
    counts: Steps
    middle: Array
    below: Array
    above: Array

    def at(self, odds: Array) -> Array:
        """Return the error (knots, m) that is not exceeded with `odds` (knots, m) between 0 and 1.

        What feedback says of the tails holds for the tails: a factor that widens counts in full
        from the tenths outwards and fades towards the middle, where most nights are decided.
        """
        off = self._off_middle(odds)
        tails = np.broadcast_to(np.array([TAIL_ODDS, 1.0 - TAIL_ODDS]), (len(odds), 2))
        edge = np.where(off < 0, *np.hsplit(self._off_middle(tails), 2))
        factor = np.where(off < 0, self.below[:, None], self.above[:, None])
        inside = (factor > 1.0) & (np.abs(off) < np.abs(edge))
        share = np.where(inside, off / np.where(inside, edge, 1.0), 1.0) ** 2
        found: Array = off * (1.0 + (factor - 1.0) * share) + self.middle[:, None] * _BIAS_TRUST
        return found

    def _off_middle(self, odds: Array) -> Array:
        place = odds * (self.counts[:, None] - 1)
        low = np.floor(place).astype(np.int64)
        high = np.minimum(low + 1, self.counts[:, None] - 1)
        left = np.take_along_axis(self.errors, low, axis=1)
        right = np.take_along_axis(self.errors, high, axis=1)
        found: Array = left + (right - left) * (place - low) - self.middle[:, None]
        return found


def _prior(quantity: str) -> Array:
    """Return (knots, rows) errors of a shed of which nothing is known yet."""
    sd = _PRIOR_SD.get(quantity, 5.0) * np.sqrt(1.0 - np.exp(-_HOURS / 5.0))
    places = (np.arange(_PRIOR_ROWS) + 0.5) / _PRIOR_ROWS
    logistic = np.log(places / (1 - places)) * np.sqrt(3) / np.pi
    spread: Array = sd[:, None] * logistic[None, :]
    return spread


def unrest(errors: Array) -> Array:
    """Return how large errors have lately been beside their usual size, as (knots, n) factors by origin.

    `errors` (knots, n) by origin. For each knot, all knots up to it have a say: what went
    wrong at 3 h this morning bears on tomorrow, and is known today.
    """
    count = errors.shape[1]
    logs = np.full(errors.shape, np.nan)
    size = np.abs(errors)
    for place, knot in enumerate(KNOTS):
        late, heard = matured_means(size[place], knot, _SIZE_STEPS)
        usual, all_heard = matured_means(size[place], knot, _USUAL_SIZE_STEPS)
        enough = (heard >= _SIZE_STEPS // 3) & (all_heard >= 3 * _SIZE_STEPS) & (usual > 0) & (late > 0)
        ratio = np.where(enough, late / np.where(enough, usual, 1.0), 1.0)
        logs[place] = np.where(enough, np.log(np.clip(ratio, *_SIZES_RATIO)), np.nan)
    known = np.cumsum(np.isfinite(logs), axis=0)
    total = np.cumsum(np.nan_to_num(logs), axis=0)
    factors: Array = np.exp(_FOLLOWS_SIZE_EXPONENT * total / np.maximum(known, 1))
    return factors.reshape(len(KNOTS), count)


@dataclass(frozen=True, slots=True)
class Followed:
    """What a spread has learned so far: its last bounds by origin (knots, n), and the logs of its factors."""

    low: Array
    high: Array
    log_below: Array
    log_above: Array


class Spread:
    """The errors of one (bay, quantity), followed in order of time.

    `points` (knots, n) are what was said and `measured` (n,) what came, by origin, in the
    quantity's unit; `followed` goes on from what an earlier spread had learned.
    """

    def __init__(
        self, quantity: str, points: Array, measured: Array, followed: Followed | None = None
    ) -> None:
        self.errors = np.stack([lagged(measured, -knot) - points[place] for place, knot in enumerate(KNOTS)])
        self._unrest = unrest(self.errors)
        self._prior = _prior(quantity)
        knots, count = self.errors.shape
        none = np.full((knots, count), np.nan)
        first = np.full(knots, np.log(_FIRST_FACTOR))
        known = followed or Followed(none, none, first, first)
        self._low, self._high = known.low.copy(), known.high.copy()
        self._log_below, self._log_above = known.log_below.copy(), known.log_above.copy()
        self._pull = _FEEDBACK / (1.0 + _HOURS / _FEEDBACK_FADES_H)
        self._knots = np.array(KNOTS)

    def moved(self, shift: int, count: int) -> Followed:
        """Return what was learned, for a history of `count` steps that begins `shift` steps later."""
        return Followed(
            moved(self._low, shift, count), moved(self._high, shift, count), self._log_below, self._log_above
        )

    def pool(self, origin: int) -> Pool:
        """Return what was known at `origin` of the errors to come."""
        steps = pool_steps(origin)
        even = self.errors[:, steps] / self._unrest[:, steps]
        rows = np.where(steps[None, :] + self._knots[:, None] <= origin, even, np.nan)
        counts = np.isfinite(rows).sum(axis=1)
        short = counts < _PRIOR_ROWS
        if short.any():
            # Fewer own errors than the prior's rows: the prior fills up the rest, evenly over its range.
            need = np.where(short, _PRIOR_ROWS - counts, 0)[:, None]
            even_rows = np.arange(_PRIOR_ROWS)
            take = ((even_rows + 0.5) / np.maximum(need, 1) * _PRIOR_ROWS).astype(np.int64)
            filled = np.take_along_axis(self._prior, np.minimum(take, _PRIOR_ROWS - 1), 1)
            fill = np.where(even_rows < need, filled, np.nan)
            rows = np.concatenate([rows, fill], axis=1)
            counts = np.isfinite(rows).sum(axis=1)
        rows = np.sort(rows, axis=1) * self._unrest[:, origin][:, None]
        low, high = (counts - 1) // 2, counts // 2
        middle = (np.take_along_axis(rows, low[:, None], 1) + np.take_along_axis(rows, high[:, None], 1))[
            :, 0
        ] / 2
        return Pool(np.nan_to_num(rows), counts, middle, np.exp(self._log_below), np.exp(self._log_above))

    def follow(self, origin: int) -> Pool:
        """Learn from the targets measured up to `origin`, and return its pool. Call in order of time."""
        places = np.flatnonzero(self._knots <= origin)
        issued = origin - self._knots[places]
        error, low = self.errors[places, issued], self._low[places, issued]
        heard = np.isfinite(low + error)
        places, issued, error, low = places[heard], issued[heard], error[heard], low[heard]
        self._log_below[places] += self._pull[places] * ((error < low) - _TAIL_AIM)
        self._log_above[places] += self._pull[places] * ((error > self._high[places, issued]) - _TAIL_AIM)
        edges = np.log(_FACTORS)
        np.clip(self._log_below, *edges, out=self._log_below)
        np.clip(self._log_above, *edges, out=self._log_above)
        pool = self.pool(origin)
        tails = np.broadcast_to(np.array([TAIL_ODDS, 1 - TAIL_ODDS]), (len(KNOTS), 2))
        self._low[:, origin], self._high[:, origin] = pool.at(tails).T
        return pool
