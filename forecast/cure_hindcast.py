"""At bedtime: the hour at which a cure's stage was forecast, against the hour at which it came.

Every evening of the past a cure is taken to be laid. Its stage comes where the measured course
of the part brings it; at bedtime it is forecast from what had been measured by then.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from forecast.course import course
from forecast.cure import progress as cure_progress
from forecast.cure import reached_h
from forecast.hindcast import SCHEMA, Plan, Work, each_bay, replayed
from forecast.past import AHEAD_STEPS, DAY_STEPS, Array, History, filled
from forecast.paths import Unit, between_knots, possible, template_ranks
from forecast.rate import HIGHEST_C, LOWEST_C, Rate
from forecast.spread import POOL_DAYS, Spread

BAND_ODDS = (0.1, 0.5, 0.9)

_MIN_PER_H = 60.0
_STEP_H = 0.5
_LOOK_BACK_STEPS = 8 * DAY_STEPS


@dataclass(frozen=True, slots=True)
class Evening:
    """One evening: the steps at which a cure's clock begins and at which somebody goes to bed."""

    laid: int
    bed: int


@dataclass(frozen=True, slots=True)
class Night:
    """One cure: hours after bedtime [h] at which its stage was said to come (10, 50, 90 %), and came.

    Infinite where it does not within 72 h.
    """

    said_h: tuple[float, float, float]
    came_h: float


def cure_nights(
    history: History, unit: Unit, points: Mapping[Unit, Array], rate: Rate, evenings: Sequence[Evening]
) -> list[Night]:
    """Return every evening's cure of one bay that can be scored.

    Parameters
    ----------
    history : History
        The readings.
    unit : (bay, quantity)
        The part, or the air that stands in for it.
    points : mapping to (knots, n) arrays
        The mix by origin.
    rate : Rate
        Of the stage.
    evenings : sequence of Evening
        In order of time.
    """
    measured = history.columns[".".join(unit)]
    values = filled(measured, ".".join(unit))
    spread = Spread(unit[1], points[unit], measured)
    by_bed = {evening.bed: evening for evening in evenings}
    nights = []
    beds = sorted(by_bed)
    first = max(0, beds[0] - POOL_DAYS * DAY_STEPS) if beds else 0
    for origin in range(first + (beds[0] - first) % 2 if beds else 0, beds[-1] + 1 if beds else 0):
        if origin not in by_bed and (origin - first) % 2:
            continue
        pool = spread.follow(origin)
        evening = by_bed.get(origin)
        if evening is None or not _measured(measured, evening):
            continue
        odds = template_ranks({unit: spread.errors}, origin, np.random.default_rng(origin))[unit]
        drawn = possible(unit[1], points[unit][:, origin][:, None] + pool.at(odds))
        paths = between_knots(drawn, values[max(0, origin - _LOOK_BACK_STEPS) : origin + 1])
        nights.append(_night(values, np.clip(paths, LOWEST_C, HIGHEST_C), rate, evening))
    return nights


def _measured(measured: Array, evening: Evening) -> bool:
    """Say whether the readings tell how the cure went: to three days on, no hole over an hour."""
    whole = measured[evening.laid : evening.bed + AHEAD_STEPS + 1]
    holes = np.isnan(whole)
    return len(whole) == evening.bed - evening.laid + AHEAD_STEPS + 1 and not (holes[1:] & holes[:-1]).any()


def _night(values: Array, paths: Array, rate: Rate, evening: Evening) -> Night:
    had = 0.0
    before = values[evening.laid : evening.bed + 1]
    if len(before) > 1:
        had = float(cure_progress(course(_STEP_H * np.arange(len(before)), before), rate)[0, -1])
    ahead_h = _STEP_H * np.arange(AHEAD_STEPS + 1)
    truth = values[evening.bed : evening.bed + AHEAD_STEPS + 1]
    came = reached_h(course(ahead_h, truth), rate, already=had)[0]
    said = np.sort(np.nan_to_num(reached_h(course(ahead_h, paths), rate, already=had), nan=np.inf))
    places = [round(odds * (len(said) - 1)) for odds in BAND_ODDS]
    low, middle, high = (float(said[place]) for place in places)
    return Night((low, middle, high), float(np.nan_to_num(came, nan=np.inf)))


def night_scores(nights: Sequence[Night]) -> dict[str, Any]:
    """Return how good the hours said at bedtime were, over cures not yet there by then.

    >>> found = night_scores([Night((7.0, 8.0, 9.0), 8.5), Night((7.0, 8.0, 9.0), 9.5)])
    >>> found["n"], found["median_error_min"], found["cover80"]
    (2, 60.0, 0.5)
    """
    open_ones = [one for one in nights if one.came_h > 0.0 and np.isfinite(one.came_h)]
    if not open_ones:
        return {"n": 0}
    errors = np.array([one.said_h[1] - one.came_h for one in open_ones])
    known = errors[np.isfinite(errors)]
    inside = [one.said_h[0] <= one.came_h <= one.said_h[2] for one in open_ones]
    return {
        "n": len(open_ones),
        "median_error_min": float(np.median(np.abs(errors)) * _MIN_PER_H),
        "bias_min": float(known.mean() * _MIN_PER_H) if len(known) else None,
        "cover80": float(np.mean(inside)),
    }


def hindcast_cures(
    history: History, plan: Plan, rate: Rate, evenings: Sequence[Evening], work: Work
) -> dict[str, Any]:
    """Replay every evening in every bay and return ``layday/hindcast/1`` with ``cures``."""
    found = each_bay(history, partial(_score_bay, plan=plan, rate=rate, evenings=evenings), work)
    return {"schema": SCHEMA, "cures": found}


def _score_bay(
    history: History,
    bay: str,
    *,
    plan: Plan,
    rate: Rate,
    evenings: Sequence[Evening],
    progress: Callable[[float], None] = lambda _: None,
) -> dict[str, Any]:
    """Return the scores of one bay's nights: of its part, or of the air that stands in for it."""
    points = replayed(history, plan, [bay], progress)
    unit = (bay, "part_c") if (bay, "part_c") in points else (bay, "air_c")
    if unit not in points:
        return {"n": 0}
    kept = [one for one in evenings if plan.start <= one.bed < plan.end]
    return night_scores(cure_nights(history.until(plan.end), unit, points, rate, kept))
