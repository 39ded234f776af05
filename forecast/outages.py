"""Hours in which a heater was out and that are over: taken out of what a shed is learned from.

What a shed did in a night without its flame says nothing of the next one. Those hours, and the two it took to
get warm again, are given what the day before had at the same time. While the heater is still out nothing is
changed: `forecast.unheated` speaks for the hours ahead then.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from collector.clock import from_us, to_us
from forecast.past import DAY_STEPS, FORECAST_QUANTITIES, STEP_US, Array, History, filled

_COLD_K = 1.5
_LEAST_STEPS = 2
_WARM_AGAIN_STEPS = 4
_HABIT, _HABIT_DAYS = 2, 6
_LONGEST_DAYS = 3  # what lasts longer is another season
_BURNERS = ("heater.on", "heater.on_pct")
_SETTING = "heater.setpoint_c"

Steps = npt.NDArray[np.bool_]


Spans = Sequence[tuple[datetime, datetime]]
"""Outages that were told while they lasted: since when, and when last; both aware."""


def outages(history: History, told: Spans = ()) -> Steps:
    """Return which steps are of an outage that is over, (n,): what was told, and what readings show.

    No burning was heard for an hour or more while the air of every bay stayed 1.5 K below what was set; it
    counts from the last burning before to two hours after the next. At an hour at which it was so on two of
    the six days before it is a habit, and none. Without a burner and a measured setting there are none.
    """
    found = _told_steps(history, told)
    burned = _burned(history)
    setting = history.columns.get(_SETTING)
    airs = [history.columns[f"{bay}.air_c"] for bay in history.bays if f"{bay}.air_c" in history.columns]
    if burned is None or setting is None or not airs:
        return found & ~_habit(found)
    cold_c = filled(setting, _SETTING) - _COLD_K
    heard = np.isfinite(np.stack(airs))
    cold = np.where(heard, np.stack(airs) < cold_c, True).all(axis=0) & heard.any(axis=0)
    vain = cold & ~burned
    lit = np.flatnonzero(burned)
    for gap in np.flatnonzero(np.diff(lit) > _LEAST_STEPS):
        before, after = lit[gap], lit[gap + 1]
        quiet = vain[before + 1 : after]
        over = len(quiet) <= _LONGEST_DAYS * DAY_STEPS and after + _WARM_AGAIN_STEPS < len(history)
        if over and _longest(quiet) >= _LEAST_STEPS:
            found[before + 1 : after + _WARM_AGAIN_STEPS] = True
    return found & ~_habit(found)


def outage_notes(history: History, told: Spans = ()) -> list[str]:
    """Say for a day that the hours without the heater are left out."""
    found = np.flatnonzero(outages(history, told)[-DAY_STEPS:])
    if not len(found):
        return []
    steps = found + max(0, len(history) - DAY_STEPS)
    first, last = (from_us(int(history.times_us[step])) for step in (steps[0], steps[-1]))
    return [
        f"the heater was out: {first:%d %b %H:%M} to {last:%d %b %H:%M} UTC is left out of what is learned"
    ]


def without_outages(history: History, told: Spans = ()) -> History:
    """Return the history as it would have been had the day before repeated itself in every outage."""
    steps = np.flatnonzero(outages(history, told))
    steps = steps[steps >= DAY_STEPS]
    if not len(steps):
        return history
    names = {f"{bay}.{quantity}" for bay in history.bays for quantity in FORECAST_QUANTITIES} | set(_BURNERS)

    def mended(columns: Mapping[str, Array]) -> dict[str, Array]:
        return {name: _repeated(rows, steps) if name in names else rows for name, rows in columns.items()}

    return replace(
        history,
        columns=mended(history.columns),
        within=mended(history.within),
        lows=mended(history.lows),
        highs=mended(history.highs),
    )


def _told_steps(history: History, told: Spans) -> Steps:
    """Return the steps of told outages that have been over for long enough to be warm again."""
    found = np.zeros(len(history), dtype=bool)
    for since, last in told:
        until_us = to_us(last) + _WARM_AGAIN_STEPS * STEP_US
        brief = last - since <= timedelta(days=_LONGEST_DAYS)
        if brief and len(history) and until_us < int(history.times_us[-1]):
            found |= (history.times_us > to_us(since)) & (history.times_us <= until_us)
    return found


def _burned(history: History) -> Steps | None:
    """Return in which half hours it burned at all; what is heard only when it changes holds until then."""
    name = next((name for name in _BURNERS if name in history.columns), None)
    if name is None or not np.isfinite(history.columns[name]).any():
        return None
    newest = history.columns[name]
    mean = newest + history.within[name][:, 0] if name in history.within else newest
    found: Steps = np.where(np.isfinite(mean), mean, filled(newest, name)) > 0.0
    return found


def _habit(found: Steps) -> Steps:
    """Return at which steps it was so on some of the days before, at the same hour."""
    before = np.zeros(len(found), dtype=np.int64)
    for days in range(1, _HABIT_DAYS + 1):
        earlier = found[: max(0, len(found) - days * DAY_STEPS)]
        before[len(found) - len(earlier) :] += earlier
    habit: Steps = before >= _HABIT
    return habit


def _longest(true: Steps) -> int:
    """Return the longest run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], true.astype(np.int8), [0]])))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def _repeated(rows: Array, steps: npt.NDArray[np.int64]) -> Array:
    """Return rows with the value of the day before at some steps, in order: a long outage repeats it."""
    found = rows.copy()
    for step in steps:
        found[step] = found[step - DAY_STEPS]
    return found
