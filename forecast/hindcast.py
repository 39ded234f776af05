"""Replay the past as if live, and score what would have been said.

Every origin uses only what had been measured by then: fits end there, weights and spread
learn only from matured targets. `Weather` says what is known of the outdoors to come.
"""

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from multiprocessing import get_context
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from collector.errors import InputError
from forecast.air import dew_point_c
from forecast.amends import amended
from forecast.baselines import lagged, same_hour
from forecast.experts import KNOTS, replay
from forecast.forecaster import refit_steps
from forecast.past import AHEAD_STEPS, DAY_STEPS, Array, History
from forecast.paths import PATHS, Unit, possible, template_ranks
from forecast.scores import score
from forecast.spread import POOL_DAYS, Spread
from forecast.weighing import mixed

SCHEMA = "layday/hindcast/1"
HORIZONS_H = (1, 3, 6, 12, 24, 48)
_PLACES = [KNOTS.index(2 * hours) for hours in HORIZONS_H]
_OUTDOOR = ("outdoor.air_c", "outdoor.humidity_pct", "outdoor.sun_w_m2", "outdoor.wind_m_s")
_FIRST_DAYS = 3


class Weather(StrEnum):
    """What the replay may know of the outdoors after the origin."""

    NONE = "none"
    PERFECT = "perfect"
    COLUMN = "column"


@dataclass(frozen=True, slots=True)
class Plan:
    """Which origins to replay: `start` to `end` (exclusive), every `every_steps`: whole hours, so even."""

    start: int
    end: int
    every_steps: int = 2
    seed: int = 0


def knowing(history: History, weather: Weather, programme: Sequence[str] = ()) -> History:
    """Return the history with what is known ahead: the weather, and the columns of a heater programme.

    `Weather.PERFECT` takes the outdoor readings themselves; `Weather.COLUMN` the forecast kept
    beside them (``outdoor.forecast_air_c``).

    Raises
    ------
    InputError
        Where the column asked for is not there.
    """
    names = {name: name for name in programme}
    if weather is Weather.PERFECT:
        names |= {name: name for name in _OUTDOOR if name in history.columns}
    elif weather is Weather.COLUMN:
        names["outdoor.air_c"] = "outdoor.forecast_air_c"
    missing = sorted(set(names.values()) - set(history.columns))
    if missing:
        raise InputError(f"no column {', '.join(missing)} in these readings; use --weather none")
    tail = np.full(AHEAD_STEPS, np.nan)
    ahead = {known: np.concatenate([history.columns[name], tail]) for known, name in names.items()}
    return replace(history, ahead=ahead)


def plan_for(history: History, start: int | None = None, end: int | None = None) -> Plan:
    """Return a plan over all of `history` that can be scored, or over the steps given.

    Raises
    ------
    InputError
        If nothing is left to replay.
    """
    first = _FIRST_DAYS * DAY_STEPS if start is None else max(0, start)
    last = len(history) if end is None else min(len(history), end)
    if first >= last:
        raise InputError(
            f"nothing to replay: {len(history) / DAY_STEPS:.1f} days of readings, 3 are used up first"
        )
    return Plan(first, last)


def _replay_unit(history: History, unit: Unit, plan: Plan) -> Array:
    """Return the amended mix (knots, n) of one (bay, quantity), fitted as it would have been live."""
    first = max(0, plan.start - POOL_DAYS * DAY_STEPS)
    measured = history.columns[".".join(unit)]
    mix = mixed(replay(history, unit, refit_steps(first, plan.end)), measured)
    return amended(mix, measured, history.times_us)


def replayed(
    history: History, plan: Plan, bays: Sequence[str] = (), progress: Callable[[float], None] = lambda _: None
) -> dict[Unit, Array]:
    """Return the mix (knots, n) by origin of each (bay, quantity); `progress` hears the share done."""
    history = history.until(plan.end)
    units = [unit for unit in history.units if not bays or unit[0] in bays]
    if not units:
        raise InputError("no bay's air, humidity or part in these readings; name columns like keel.air_c")
    points: dict[Unit, Array] = {}
    for unit in units:
        points[unit] = _replay_unit(history, unit, plan)
        progress(len(points) / len(units))
    return points


def hindcast(
    history: History,
    plan: Plan,
    jobs: int = 1,
    progress: Callable[[float], None] = lambda _: None,
    bays: Sequence[str] = (),
) -> dict[str, Any]:
    """Replay `history` by `plan` and return the scores as ``layday/hindcast/1``.

    `bays` leaves out the scores of all others, which still tell the ones that are asked about
    what they measure. `progress` hears the share done, from 0 to 1.

    >>> import numpy as np
    >>> from forecast.past import STEP_US, History
    >>> steps = np.arange(240)
    >>> air = 15 + 5 * np.sin(steps * 2 * np.pi / 48)
    >>> flat = History(steps * STEP_US, {"keel.air_c": air}, {})
    >>> found = hindcast(flat, plan_for(flat))
    >>> found["bays"]["keel"]["air_c"]["1"]["n"]
    47
    """
    return {
        "schema": SCHEMA,
        "bays": each_bay(history, partial(_score_bay, plan=plan), Work(jobs, progress, bays)),
    }


@dataclass(frozen=True, slots=True)
class Work:
    """How many processes may work, who hears the share done (0 to 1), and which bays are asked about."""

    jobs: int = 1
    progress: Callable[[float], None] = lambda _: None
    bays: Sequence[str] = ()


def each_bay(history: History, score_bay: Callable[..., dict[str, Any]], work: Work) -> dict[str, Any]:
    """Return what `score_bay(history, bay, progress=...)` says of each bay asked about.

    Raises
    ------
    InputError
        If there is no such bay.
    """
    wanted = [bay for bay in history.bays if not work.bays or bay in work.bays]
    if not wanted:
        raise InputError("no bay's air, humidity or part in these readings; name columns like keel.air_c")
    found: dict[str, Any] = {}
    if work.jobs <= 1 or len(wanted) == 1:
        for done, bay in enumerate(wanted):
            # nine tenths of the work is in the replay
            found[bay] = score_bay(history, bay, progress=_part_of(work.progress, done, len(wanted)))
            work.progress(len(found) / len(wanted))
        return found
    with ProcessPoolExecutor(work.jobs, get_context("spawn"), _one_thread) as pool:
        waiting = {bay: pool.submit(score_bay, history, bay) for bay in wanted}
        for bay, future in waiting.items():
            found[bay] = future.result()
            work.progress(len(found) / len(wanted))
    return found


def _part_of(progress: Callable[[float], None], done: int, count: int) -> Callable[[float], None]:
    """Return a progress of one bay that tells the progress of all."""
    return lambda share: progress((done + 0.9 * share) / count)


def _one_thread() -> None:
    """Keep a worker to one core: as many workers as cores are at work."""
    threadpool_limits(1)


def _score_bay(
    history: History, bay: str, *, plan: Plan, progress: Callable[[float], None] = lambda _: None
) -> dict[str, Any]:
    """Return the scores of one bay by quantity and hours ahead."""
    points = replayed(history, plan, [bay], progress)
    history = history.until(plan.end)
    steps = np.arange(plan.start, plan.end, plan.every_steps)
    found: dict[str, Any] = {}
    for (_, quantity), drawn in sample(history, points, plan).items():
        values = _measured(history, bay, quantity)
        found[quantity] = {
            str(hours): score(
                drawn[:, place],
                lagged(values, -2 * hours)[steps],
                history.times_us[steps],
                values[steps],
                same_hour(values, 2 * hours)[steps],
            )
            for place, hours in enumerate(HORIZONS_H)
        }
    return found


def _measured(history: History, bay: str, quantity: str) -> Array:
    if quantity != "dew_point_c":
        return history.columns[f"{bay}.{quantity}"]
    return _dew_point_c(history.columns[f"{bay}.air_c"], history.columns[f"{bay}.humidity_pct"])


def _dew_point_c(air_c: Array, humidity_pct: Array) -> Array:
    """Return dew points; NaN where either is missing, and humidity of 0 % counts as 1 %."""
    known = np.isfinite(air_c) & np.isfinite(humidity_pct)
    found = np.full(air_c.shape, np.nan)
    found[known] = dew_point_c(np.clip(air_c[known], -60.0, 60.0), np.clip(humidity_pct[known], 1.0, 100.0))
    return found


def sample(history: History, points: Mapping[Unit, Array], plan: Plan) -> dict[Unit, Array]:
    """Return samples (origins, `HORIZONS_H`, paths) per (bay, quantity), dew points with them."""
    spreads = {unit: Spread(unit[1], mix, _measured(history, *unit)) for unit, mix in points.items()}
    errors = {unit: spread.errors for unit, spread in spreads.items()}
    origins = range(plan.start, plan.end, plan.every_steps)
    samples = {unit: np.full((len(origins), len(HORIZONS_H), PATHS), np.nan) for unit in points}
    first = max(0, plan.start - POOL_DAYS * DAY_STEPS)
    for origin in range(first + (plan.start - first) % 2, plan.end, 2):
        pools = {unit: spread.follow(origin) for unit, spread in spreads.items()}
        if origin < plan.start or (origin - plan.start) % plan.every_steps:
            continue
        odds = template_ranks(errors, origin, np.random.default_rng([plan.seed, origin]))
        for unit, pool in pools.items():
            off = pool.at(odds[unit])[_PLACES]
            drawn = possible(unit[1], points[unit][_PLACES, origin][:, None] + off)
            samples[unit][origins.index(origin)] = drawn
    for bay in history.bays:
        if (bay, "air_c") in samples and (bay, "humidity_pct") in samples:
            pairs = zip(samples[bay, "air_c"], samples[bay, "humidity_pct"], strict=True)
            # one origin at a time: all at once they would take a quarter of a gigabyte
            dew = np.empty_like(samples[bay, "air_c"])
            for row, pair in enumerate(pairs):
                dew[row] = _dew_point_c(*pair)
            samples[bay, "dew_point_c"] = dew
    return samples
