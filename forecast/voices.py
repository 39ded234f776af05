"""Odds that limits hold for so long, by several voices that can be scored once the hours have passed.

Each voice draws paths about a course (the mix of experts, or plain ridges) with whole past error
vectors of the same time of day, and counts those that hold. A vector keeps what one night's
error was at every half hour and in every quantity together, the spikes between half hours too.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecast.air import margin_k
from forecast.baselines import usual_day
from forecast.direct import DirectCourses, direct_inputs
from forecast.experts import KNOTS
from forecast.job import JobLimits
from forecast.past import DAY_STEPS, FORECAST_QUANTITIES, Array, History, Times, filled

VOICES = ("whole", "alike", "direct")
QUANTILES = (0.1, 0.5, 0.9)

_POOL_DAYS = 28
_NEAR_STEPS = 3
_LEAST_VECTORS = 30
# How alike a past course is: in standard deviations of the worst value of each quantity; those
# unlike it keep a little weight, or a new kind of day would have none.
_ALIKE_SD = 1.0
_UNLIKE_WEIGHT = 0.05
_DRIEST_PCT, _COLDEST_C, _HOTTEST_C = 1.0, -60.0, 90.0


@dataclass(frozen=True, slots=True)
class Hold:
    """What is to hold: limits, from a start for `steps` half hours, both ends included."""

    limits: JobLimits
    steps: int


def sides(limits: JobLimits) -> tuple[tuple[str, float, float], ...]:
    """Return each limit in use as (quantity, sign, bound): it holds where sign * (value - bound) >= 0."""
    every = (
        ("air_c", 1.0, limits.air_min_c),
        ("air_c", -1.0, limits.air_max_c),
        ("part_c", 1.0, limits.part_min_c),
        ("part_c", -1.0, limits.part_max_c),
        ("humidity_pct", -1.0, limits.humidity_max_pct),
        ("margin_k", 1.0, limits.margin_min_k),
    )
    return tuple(side for side in every if np.isfinite(side[2]))


class BayPast:
    """One bay's past as jobs see it: what was measured, and how far it strays between half hours.

    A bay without a part probe has its air stand in for the part.
    """

    def __init__(self, history: History, bay: str) -> None:
        self.history, self.bay = history, bay
        have = [one for one in FORECAST_QUANTITIES if f"{bay}.{one}" in history.columns]
        self._stand_in = {"part_c": "air_c"} if "part_c" not in have else {}
        self.values = {one: filled(history.columns[f"{bay}.{one}"], f"{bay}.{one}") for one in have}
        self.measured = {one: history.columns[f"{bay}.{one}"] for one in have}
        self.dips = {(one, sign): self._dips(one, sign) for one in have for sign in (1.0, -1.0)}

    def quantity(self, name: str) -> str:
        """Return the quantity that is measured for a name."""
        return self._stand_in.get(name, name)

    def _dips(self, one: str, sign: float) -> Array:
        """Return, by step, how far the half hour before it strays beyond both its ends; 0 or less."""
        extremes = self.history.lows if sign > 0 else self.history.highs
        measured = sign * self.measured[one]
        extreme = extremes.get(f"{self.bay}.{one}")
        if extreme is None:
            return np.zeros(len(measured))
        before = np.concatenate([measured[:1], measured[:-1]])
        found = np.minimum(sign * extreme - np.minimum(before, measured), 0.0)
        return np.asarray(np.nan_to_num(found))

    def slack(self, paths: Mapping[str, Array], side: tuple[str, float, float], rows: Times | None) -> Array:
        """Return by how much a limit holds on paths of all quantities (m, steps), at its worst in each step.

        `rows` are the steps at which each path's strayings between half hours begin; None for none.
        """
        name, sign, bound = side
        if name == "margin_k":
            part, air = paths[self.quantity("part_c")], paths["air_c"]
            damp = np.clip(paths["humidity_pct"], _DRIEST_PCT, 100.0)
            air, part = np.clip(air, _COLDEST_C, _HOTTEST_C), np.clip(part, _COLDEST_C, _HOTTEST_C)
            return np.asarray(margin_k(part, air, damp) - bound)
        one = self.quantity(name)
        slack = sign * (paths[one] - bound)
        if rows is not None and slack.shape[1] > 1:
            dips = self.dips[one, sign][rows[:, None] + np.arange(1, slack.shape[1])]
            between = np.minimum(slack[:, 1:], slack[:, :-1]) + dips
            slack = np.concatenate([slack[:, :1], np.minimum(slack[:, 1:], between)], axis=1)
        return np.asarray(slack)

    def held(self, hold: Hold) -> Array:
        """Return (n,) whether the limits held from each step on: 1, 0, or NaN where it is not known."""
        count = len(self.history)
        found = np.full(count, np.nan)
        starts = np.arange(max(0, count - hold.steps))
        span = starts[:, None] + np.arange(hold.steps + 1)
        holds = np.ones(len(starts), dtype=bool)
        for side in sides(hold.limits):
            paths = {one: values[span] for one, values in self.measured.items()}
            least = self.slack(paths, side, starts).min(axis=1)
            found[starts] = np.where(np.isfinite(least), 1.0, np.nan) * np.nan_to_num(found[starts], nan=1.0)
            holds &= least >= 0.0
        known = np.isfinite(found[starts])
        found[starts] = np.where(known, holds, np.nan)
        return found

    def fine(self, hold: Hold) -> Array:
        """Return (n,) whether the limits hold at each step itself; NaN where it is not known."""
        return self.held(Hold(hold.limits, 0)) if len(self.history) else np.zeros(0)


def mix_courses(points: Array, values: Array, ahead_steps: int) -> Array:
    """Return (n, 1 + ahead_steps) by origin: the mix at its knots, between them as the usual day goes.

    Parameters
    ----------
    points : (knots, n) array
        The mix by origin.
    values : (n,) array
        What was measured, without holes.
    ahead_steps : int
        Up to the last knot.
    """
    knots = np.array((0, *KNOTS))
    last = int(np.searchsorted(knots, ahead_steps))
    used = knots[: last + 1]
    usual = np.stack([usual_day(values, int(step)) for step in range(int(used[-1]) + 1)], axis=1)
    off = np.column_stack([values, points[:last].T]) - usual[:, used]
    steps = np.arange(ahead_steps + 1)
    right = np.clip(np.searchsorted(used, steps), 1, last)
    part = (steps - used[right - 1]) / (used[right] - used[right - 1])
    courses: Array = off[:, right - 1] + (off[:, right] - off[:, right - 1]) * part + usual[:, steps]
    courses[:, 0] = values
    return courses


class Voices:
    """The voices on one bay, for starts up to `ahead_steps` half hours after the origin, job included.

    Parameters
    ----------
    past : BayPast
        The bay.
    points : mapping of quantity to (knots, n) array
        The mix of experts by origin.
    refits : sequence of int
        When the ridges are fitted.
    ahead_steps : int
        How far the paths go, 1 to 144.
    """

    def __init__(
        self, past: BayPast, points: Mapping[str, Array], refits: Sequence[int], ahead_steps: int
    ) -> None:
        self._past, self._ahead = past, ahead_steps
        inputs = direct_inputs(past.history, past.bay)
        self._mix = {one: mix_courses(points[one], past.values[one], ahead_steps) for one in past.values}
        self._direct = {
            one: DirectCourses(inputs, values, refits, ahead_steps) for one, values in past.values.items()
        }
        self._mix_errors = {one: self._errors(one, courses) for one, courses in self._mix.items()}

    def _errors(self, one: str, courses: Array) -> Array:
        """Return (n, 1 + ahead) how far the course of each origin was off; NaN where not yet measured."""
        count = len(courses)
        ahead = np.arange(count)[:, None] + np.arange(self._ahead + 1)
        measured = np.where(ahead < count, self._past.values[one][np.minimum(ahead, count - 1)], np.nan)
        return np.asarray(measured - courses)

    def at(self, origin: int, hold: Hold, lead_steps: int = 0) -> tuple[Array, Array] | None:
        """Return each voice's odds, and quantiles of the least slack of each limit; None without enough past.

        The start is `lead_steps` after `origin`. Only what had been measured at `origin` counts.
        """
        end = lead_steps + hold.steps
        pool = self._pool(origin, end)
        if len(pool) < _LEAST_VECTORS:
            return None
        steps = np.arange(lead_steps, end + 1)
        rows = pool + lead_steps
        mix = {one: self._drawn(one, origin, pool, steps) for one in self._past.values}
        least = [self._past.slack(mix, side, rows).min(axis=1) for side in sides(hold.limits)]
        holds = np.all([slack >= 0.0 for slack in least], axis=0)
        weight = self._alike(origin, pool, steps)
        spoken = [float(holds.mean()), float(holds @ weight)]
        direct = {one: self._plainly(one, origin, pool, steps) for one in self._past.values}
        drawn = {one: paths for one, paths in direct.items() if paths is not None}
        if len(drawn) == len(direct):
            plain = [self._past.slack(drawn, side, None).min(axis=1) for side in sides(hold.limits)]
            spoken.append(float(np.all([slack >= 0.0 for slack in plain], axis=0).mean()))
        else:
            spoken.append(spoken[0])
        quantiles = np.concatenate([np.quantile(slack, QUANTILES) for slack in least])
        return np.array(spoken), quantiles

    def _pool(self, origin: int, end: int) -> Times:
        """Return past origins at about this time of day whose errors had been measured to the end."""
        days = np.arange(1, _POOL_DAYS + 1 + end // DAY_STEPS)[:, None] * DAY_STEPS
        pool = (origin - days + np.arange(-_NEAR_STEPS, _NEAR_STEPS + 1)).ravel()
        pool = pool[(pool >= DAY_STEPS) & (pool + end <= origin)]
        known = np.all([np.isfinite(errors[pool, end]) for errors in self._mix_errors.values()], axis=0)
        return pool[known]

    def _drawn(self, one: str, origin: int, pool: Times, steps: Times) -> Array:
        drawn = self._mix[one][origin, steps] + self._mix_errors[one][pool[:, None], steps]
        return np.asarray(np.clip(drawn, 0.0, 100.0) if one == "humidity_pct" else drawn)

    def _plainly(self, one: str, origin: int, pool: Times, steps: Times) -> Array | None:
        courses, values = self._direct[one].of(origin), self._past.values[one]
        if courses is None:
            return None
        off = values[pool[:, None] + steps] - courses[pool[:, None], steps]
        return np.asarray(courses[origin, steps] + off)

    def _alike(self, origin: int, pool: Times, steps: Times) -> Array:
        """Return a weight for each vector: of days whose forecast was like this one's, more is learned."""
        distance = np.zeros(len(pool))
        for one, courses in self._mix.items():
            worst = courses[:, steps].max(axis=1) if one == "humidity_pct" else courses[:, steps].min(axis=1)
            spread = float(np.nanstd(worst[max(0, origin - _POOL_DAYS * DAY_STEPS) : origin])) + 1e-6
            distance += ((worst[pool] - worst[origin]) / spread) ** 2
        weight = np.exp(-distance / (2.0 * _ALIKE_SD**2)) + _UNLIKE_WEIGHT
        return np.asarray(weight / weight.sum())
