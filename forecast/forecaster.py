"""From a history to a forecast: replay the last weeks as if live, then speak for now."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from collector.clock import from_us, to_us
from collector.errors import InputError
from forecast.experts import replay
from forecast.past import DAY_STEPS, Array, History, age_steps, filled
from forecast.paths import Forecast, Unit, between_knots, on_grid, possible, template_ranks
from forecast.spread import POOL_DAYS, Pool, Spread
from forecast.weighing import mixed

REFIT_STEPS = 7 * DAY_STEPS
_YOUNG_REFITS = tuple(DAY_STEPS * days for days in (3, 5, 7, 10, 14))
_STALE_STEPS = 4
_SHIFT_RATIO = 2.5
_WIDEST = 3.0


def refit_steps(first: int, last: int) -> list[int]:
    """Return when to fit: often while a shed is new, then weekly; `first` is where the replay begins."""
    young = [step for step in _YOUNG_REFITS if first < step < last]
    start = max(first, young[-1] if young else first)
    return sorted({first, *young, *range(start, last, REFIT_STEPS)})


@dataclass(frozen=True, slots=True)
class Ready:
    """What a replay leaves of one (bay, quantity): the mix by origin, and its errors followed to the end."""

    points: Array
    spread: Spread
    pool: Pool


def prepare(history: History, unit: Unit, *, boosting: bool = False) -> Ready:
    """Replay the last weeks of one (bay, quantity) as if live, up to the end of `history`."""
    count = len(history)
    first = max(0, count - (POOL_DAYS + 7) * DAY_STEPS)
    said = replay(history, unit, refit_steps(first, count), boosting=boosting)
    measured = history.columns[".".join(unit)]
    points = mixed(said, measured)
    spread = Spread(unit[1], points, measured)
    # Hourly is enough to learn from, and the last origin must be among them.
    for origin in range(first + (count - 1 - first) % 2, count, 2):
        pool = spread.follow(origin)
    return Ready(points, spread, pool)


def forecast(history: History, at: datetime, *, seed: int = 0, boosting: bool = False) -> Forecast:
    """Return the forecast that the readings up to `at` allow, for 72 h.

    Parameters
    ----------
    history : History
        Steps after `at` are not looked at.
    at : aware datetime
    seed : int
        The same seed and history give the same paths.

    Raises
    ------
    InputError
        If no bay's air or part was ever heard before `at`.
    """
    count = int(np.searchsorted(history.times_us, to_us(at), side="right"))
    past = history.until(count)
    units = [unit for unit in past.units if np.isfinite(past.columns[".".join(unit)]).any()]
    if not units:
        raise InputError(f"no bay was heard before {at.isoformat()}; nothing can be forecast")
    ready = {unit: prepare(past, unit, boosting=boosting) for unit in units}
    random = np.random.default_rng([seed, count])
    odds = template_ranks({unit: one.spread.errors for unit, one in ready.items()}, count - 1, random)
    notes: list[str] = _young_notes(past)
    paths: dict[Unit, Array] = {}
    for unit, one in ready.items():
        width = _width(past, unit, one, notes)
        off = one.pool.at(odds[unit]) * width
        values = filled(past.columns[".".join(unit)], ".".join(unit))
        course = between_knots(one.points[:, -1][:, None] + off, values)
        times_us, on_times = on_grid(course, int(past.times_us[-1]), to_us(at))
        paths[unit] = possible(unit[1], on_times)
    return Forecast(at, times_us, paths, (*notes, *_outdoor_notes(past)))


def _young_notes(history: History) -> list[str]:
    """Say when there is little to learn from."""
    hours = len(history) / 2
    if hours < 3 * 24:
        return [f"only {hours:.0f} h of readings: the spread is that of any poly tent"]
    if len(history) < 14 * DAY_STEPS:
        return [f"only {hours / 24:.0f} days of readings: the forecast is still learning this shed"]
    return []


def _outdoor_notes(history: History) -> list[str]:
    """Say when the outdoor readings have stopped, or never were."""
    for name in ("outdoor.air_c", "outdoor.humidity_pct"):
        if name in history.columns and age_steps(history.columns[name])[-1] > _STALE_STEPS:
            last = np.flatnonzero(np.isfinite(history.columns[name]))
            since = (
                f"since {from_us(int(history.times_us[last[-1]])):%d %b %H:%M} UTC" if len(last) else "ever"
            )
            return [f"nothing from outdoors {since}: the last value stands in"]
    return []


def _width(history: History, unit: Unit, ready: Ready, notes: list[str]) -> float:  # a pure factor
    """Return by how much to widen the spread, and add to `notes` why."""
    name = ".".join(unit)
    age = int(age_steps(history.columns[name])[-1])
    width = 1.0
    if age > _STALE_STEPS:
        width = float(np.sqrt(1.0 + age / 6.0))
        notes.append(f"{name}: last heard {age / 2:.0f} h ago")
    recent = history.columns[name][-2 * DAY_STEPS :]
    recent = recent[np.isfinite(recent)]
    if len(recent) >= DAY_STEPS and np.ptp(recent) == 0:
        notes.append(f"{name}: has not moved at all for a day; is the sensor alive?")
    shift = _shift_ratio(ready.spread.errors, len(history))
    if shift > _SHIFT_RATIO:
        width = max(width, min(shift, _WIDEST))
        notes.append(
            f"{name}: the last day was {shift:.1f} times as far from the forecast as usual "
            "(a sensor moved, a heater changed, a door left open?)"
        )
    return min(width, _WIDEST)


def _shift_ratio(errors: Array, count: int) -> float:
    """Return how large the last day's errors up to 3 h ahead are beside those of the weeks before."""
    near = np.abs(errors[:5, max(0, count - POOL_DAYS * DAY_STEPS) :])
    if near.shape[1] < 5 * DAY_STEPS:
        return 1.0
    last, before = near[:, -DAY_STEPS:], near[:, :-DAY_STEPS]
    last, before = last[np.isfinite(last)], before[np.isfinite(before)]
    if len(last) < DAY_STEPS or len(before) < DAY_STEPS:
        return 1.0
    return float(last.mean() / max(before.mean(), 1e-6))
