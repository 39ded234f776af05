"""Sample paths of the hours to come, and what can be asked of them.

The marginals of the paths are the calibrated quantiles of `forecast.spread`; the dependence
over hours, quantities and bays is that of whole past error vectors of the same time of day,
taken over by rank (the Schaake shuffle: Clark et al. 2004,
doi 10.1175/1525-7541(2004)005<0243:TSSAMF>2.0.CO;2).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from forecast.experts import KNOTS
from forecast.past import AHEAD_STEPS, DAY_STEPS, STEP_US, Array, Times
from forecast.spread import Steps, pool_steps

Unit = tuple[str, str]

PATHS = 200
GRID_MIN = 10
BEYOND_K = 10.0
"""How far a path may leave all that was measured in the shed and outdoors: our choice."""
_ENOUGH_VECTORS = 30
# Until whole past vectors exist: errors fade over 8 h and are half shared by all bays.
_FADING_STEPS = 16.0
_SHARED = 0.5


@dataclass(frozen=True, slots=True)
class Forecast:
    """What may come: equally likely paths of every bay and quantity.

    `times_us` (steps,) in microseconds since 1970 UTC; `paths` maps (bay, quantity) to
    (paths, steps) in the quantity's unit; path *k* of one is of the same night as path *k*
    of another. `notes` says, in words, what makes this forecast weaker than usual.
    """

    issued_at: datetime
    times_us: Times
    paths: Mapping[Unit, Array]
    notes: tuple[str, ...] = ()

    def quantile(self, bay: str, quantity: str, odds: float) -> Array:
        """Return the value (steps,), in the quantity's unit, not exceeded with `odds`.

        Raises
        ------
        ValueError
            If `odds` is not between 0 and 1.
        KeyError
            If the bay or its quantity is not forecast.
        """
        found: Array = np.quantile(self.paths[bay, quantity], odds, axis=0)
        return found

    def probability(
        self, holds: Callable[[Mapping[Unit, Array]], Array]
    ) -> float:  # ends with its kind: odds
        """Return the share of paths for which `holds` is true.

        `holds` gets the paths and returns (paths,) truth values.
        """
        return float(np.mean(np.asarray(holds(self.paths), dtype=np.float64)))


def template_ranks(
    errors: Mapping[Unit, Array], origin: int, random: np.random.Generator
) -> dict[Unit, Array]:
    """Return, per unit, the odds (knots, paths) at which each path stands at each knot.

    `errors` maps units to (knots, n) errors by origin; only vectors that had wholly matured
    at `origin` are used.
    """
    steps = pool_steps(origin)
    steps = steps[steps + KNOTS[-1] <= origin]
    if len(steps):
        whole = np.all([np.isfinite(errors[unit][:, steps]).all(axis=0) for unit in errors], axis=0)
        steps = steps[whole]
    ties = random.random(PATHS)
    if len(steps) >= _ENOUGH_VECTORS:
        chosen = _chosen(steps, random)
        return {unit: _odds(rows[:, chosen], ties) for unit, rows in errors.items()}
    shared = _fading(random)
    return {
        unit: _odds(np.sqrt(_SHARED) * shared + np.sqrt(1 - _SHARED) * _fading(random), ties)
        for unit in errors
    }


def _chosen(steps: Steps, random: np.random.Generator) -> Steps:
    """Return as many past origins as there are paths, each as often as any other, give or take one."""
    repeats = -(-PATHS // len(steps))
    return np.concatenate([random.permutation(steps) for _ in range(repeats)])[:PATHS]


def _odds(rows: Array, ties: Array) -> Array:
    """Return each value's rank in its row as odds; ties fall alike in all rows."""
    order = np.lexsort((np.broadcast_to(ties, rows.shape), rows), axis=-1)
    ranks = np.empty(rows.shape)
    np.put_along_axis(ranks, order, np.arange(rows.shape[1], dtype=np.float64)[None, :], axis=1)
    odds: Array = (ranks + 0.5) / rows.shape[1]
    return odds


def _fading(random: np.random.Generator) -> Array:
    """Return (knots, paths) of noise whose memory fades with the hours."""
    noise = random.standard_normal((len(KNOTS), PATHS))
    for place in range(1, len(KNOTS)):
        memory = np.exp(-(KNOTS[place] - KNOTS[place - 1]) / _FADING_STEPS)
        noise[place] = memory * noise[place - 1] + np.sqrt(1 - memory**2) * noise[place]
    return noise


def usual_ahead(values: Array) -> Array:
    """Return the usual day over the `AHEAD_STEPS` after the last of `values`, and now (first)."""
    last = len(values) - 1
    ahead = np.arange(AHEAD_STEPS + 1)
    known = np.maximum(1, -(-ahead // DAY_STEPS))
    total, weight = np.zeros(len(ahead)), np.zeros(len(ahead))
    for day in range(1, 8):
        step = last + ahead - DAY_STEPS * (known + day - 1)
        past = step >= 0
        total[past] += 0.75**day * values[step[past]]
        weight[past] += 0.75**day
    return np.where(weight > 0, total / np.maximum(weight, 1e-12), values[last])


def between_knots(at_knots: Array, values: Array) -> Array:
    """Return (paths, 1 + AHEAD_STEPS) from (knots, paths): departures from the usual day, interpolated."""
    usual = usual_ahead(values)
    knots = np.array((0, *KNOTS))
    departures = np.vstack([np.full(at_knots.shape[1], values[-1]), at_knots]) - usual[knots][:, None]
    steps = np.arange(AHEAD_STEPS + 1)
    right = np.clip(np.searchsorted(knots, steps), 1, len(knots) - 1)
    part = (steps - knots[right - 1]) / (knots[right] - knots[right - 1])
    course = departures[right - 1] + (departures[right] - departures[right - 1]) * part[:, None]
    found: Array = (course + usual[:, None]).T
    return found


def on_grid(paths: Array, origin_us: int, issued_us: int) -> tuple[Times, Array]:
    """Return the times every `GRID_MIN` after `issued_us`, and the half-hourly paths at them."""
    span_us = GRID_MIN * 60_000_000
    count = AHEAD_STEPS * STEP_US // span_us
    times_us = origin_us + span_us * np.arange(1, count + 1, dtype=np.int64)
    times_us = times_us[times_us > issued_us]
    place = (times_us - origin_us) / STEP_US
    low = np.minimum(place.astype(np.int64), AHEAD_STEPS - 1)
    part = place - low
    return times_us, paths[:, low] * (1 - part) + paths[:, low + 1] * part


def possible(quantity: str, values: Array, seen: Array | None = None) -> Array:
    """Return `values` within what can be: humidity stays between 0 and 100 %.

    Humidity at or under 100 % is also what keeps the dew point at or under the air. With `seen`,
    the temperatures ever measured in the shed and outdoors, others stay within `BEYOND_K` of them:
    a straight line carried on through a night without its flame ends colder than the moon.
    """
    if quantity == "humidity_pct":
        return np.clip(values, 0.0, 100.0)
    if seen is None or not np.isfinite(seen).any():
        return values
    found: Array = np.clip(values, np.nanmin(seen) - BEYOND_K, np.nanmax(seen) + BEYOND_K)
    return found
