"""From a history to a forecast: replay the last weeks as if live, then speak for now, and again."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from collector.clock import to_us
from collector.errors import InputError
from forecast.amends import amended
from forecast.doubts import outdoor_notes, trusted, widening, young_notes
from forecast.experts import Fits, learn, replay_and_learn, speak
from forecast.past import DAY_STEPS, STEP_US, Array, History, filled, moved
from forecast.paths import Forecast, Unit, between_knots, on_grid, possible, template_ranks
from forecast.spread import POOL_DAYS, Spread
from forecast.weighing import mixed

REFIT_STEPS = 7 * DAY_STEPS
_YOUNG_REFITS = tuple(DAY_STEPS * days for days in (3, 5, 7, 10, 14))
# After a longer pause than this it is quicker, and safer, to begin anew.
_LONGEST_PAUSE_STEPS = 3 * DAY_STEPS


def refit_steps(first: int, last: int) -> list[int]:
    """Return when to fit: often while a shed is new, then weekly; `first` is where the replay begins."""
    young = [step for step in _YOUNG_REFITS if first < step < last]
    start = max(first, young[-1] if young else first)
    return sorted({first, *young, *range(start, last, REFIT_STEPS)})


@dataclass(slots=True)
class _Ready:
    """What is kept of one (bay, quantity): what was said and learned, and how far off it was."""

    first_us: int
    refit_us: int
    fits: Fits
    said: Array
    mix: Array
    points: Array
    spread: Spread


class Forecaster:
    """Forecasts one shed again and again, keeping what it has learned in between.

    The first `refresh` replays the last weeks as if live, which takes seconds; later ones only
    take in the half hours since. Fits are made anew when that pays: daily while a shed is new,
    weekly later. One process, one thread.

    Parameters
    ----------
    seed : int
        The same seed and the same calls give the same paths.
    """

    def __init__(self, *, seed: int = 0) -> None:
        self._seed = seed
        self._kept: dict[Unit, _Ready] = {}

    @property
    def points(self) -> Mapping[Unit, Array]:
        """The amended mix (knots, n) by origin of each (bay, quantity), over the steps last refreshed on."""
        return {unit: kept.points for unit, kept in self._kept.items()}

    def refresh(self, history: History, at: datetime) -> Forecast:
        """Return the forecast that the readings up to `at` allow, for 72 h.

        Parameters
        ----------
        history : History
            Steps after `at` are not looked at. It may begin earlier or later than the last one.
        at : aware datetime

        Raises
        ------
        InputError
            If no bay's air, humidity or part was ever heard before `at`.
        """
        count = int(np.searchsorted(history.times_us, to_us(at), side="right"))
        past, doubts = trusted(history.until(count))
        units = [unit for unit in past.units if np.isfinite(past.columns[".".join(unit)]).any()]
        if not units:
            raise InputError(f"no bay was heard before {at.isoformat()}; nothing can be forecast")
        self._kept = {unit: self._advanced(past, unit) for unit in units}
        return self._forecast(past, at, doubts)

    def _advanced(self, past: History, unit: Unit) -> _Ready:
        """Bring what is kept up to the end of `past`, or begin anew where it cannot be."""
        kept = self._kept.get(unit)
        last_us = int(past.times_us[-1])
        if kept is None:
            return _prepared(past, unit)
        shift = (int(past.times_us[0]) - kept.first_us) // STEP_US
        fresh = len(past) - (kept.said.shape[-1] - shift)
        if fresh < 0 or fresh > _LONGEST_PAUSE_STEPS or shift >= kept.said.shape[-1]:
            return _prepared(past, unit)
        if not fresh and not shift:
            return kept
        since = (last_us - kept.refit_us) // STEP_US
        if since >= min(REFIT_STEPS, max(DAY_STEPS, len(past) // 4)):
            kept.fits = learn(past, unit)
            kept.refit_us = last_us
        first = len(past) - fresh
        kept.said = moved(kept.said, shift, len(past))
        kept.mix = moved(kept.mix, shift, len(past))
        kept.points = moved(kept.points, shift, len(past))
        measured = past.columns[".".join(unit)]
        if fresh:
            kept.said[:, :, first:] = speak(past, unit, kept.fits, first)
            kept.mix[:, first:] = mixed(kept.said, measured, first)
            kept.points[:, first:] = amended(kept.mix, measured, past.times_us, first)
        spread = Spread(unit[1], kept.points, measured, kept.spread.moved(shift, len(past)))
        _follow(spread, past, first)
        kept.first_us, kept.spread = int(past.times_us[0]), spread
        return kept

    def _forecast(self, past: History, at: datetime, doubts: list[str]) -> Forecast:
        last = len(past) - 1
        random = np.random.default_rng([self._seed, int(past.times_us[-1]) // STEP_US])
        odds = template_ranks({unit: one.spread.errors for unit, one in self._kept.items()}, last, random)
        notes = [*doubts, *young_notes(past)]
        paths: dict[Unit, Array] = {}
        temps = [values for name, values in past.columns.items() if name.endswith(("air_c", "part_c"))]
        seen = np.concatenate(temps) if temps else None
        for unit, one in self._kept.items():
            width, why = widening(past, unit, one.spread.errors)
            notes += why
            off = one.spread.pool(last).at(odds[unit]) * width
            values = filled(past.columns[".".join(unit)], ".".join(unit))
            course = between_knots(one.points[:, -1][:, None] + off, values)
            times_us, on_times = on_grid(course, int(past.times_us[-1]), to_us(at))
            paths[unit] = possible(unit[1], on_times, seen)
        return Forecast(at, times_us, paths, (*notes, *outdoor_notes(past)))


def forecast(history: History, at: datetime, *, seed: int = 0) -> Forecast:
    """Return one forecast of a shed of which nothing is kept: `Forecaster.refresh` of a new one."""
    return Forecaster(seed=seed).refresh(history, at)


def _prepared(history: History, unit: Unit) -> _Ready:
    """Replay the last weeks of one (bay, quantity) as if live, up to the end of `history`."""
    count = len(history)
    first = max(0, count - (POOL_DAYS + 7) * DAY_STEPS)
    refits = refit_steps(first, count)
    said, fits = replay_and_learn(history, unit, refits)
    measured = history.columns[".".join(unit)]
    mix = mixed(said, measured)
    points = amended(mix, measured, history.times_us)
    spread = Spread(unit[1], points, measured)
    _follow(spread, history, first)
    first_us, refit_us = int(history.times_us[0]), int(history.times_us[refits[-1]])
    return _Ready(first_us, refit_us, fits, said, mix, points, spread)


def _follow(spread: Spread, history: History, first: int) -> None:
    """Learn from every whole hour from step `first` on: half hours would only count the same twice."""
    for origin in range(first, len(history)):
        if int(history.times_us[origin]) % (2 * STEP_US) == 0:
            spread.follow(origin)
