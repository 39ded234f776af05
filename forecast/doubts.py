"""What makes a forecast weaker than usual: said in words, and answered with a wider spread. Pure."""

from dataclasses import replace

import numpy as np

from collector.clock import from_us
from forecast.past import DAY_STEPS, Array, History, age_steps
from forecast.paths import Unit
from forecast.spread import POOL_DAYS

_STALE_STEPS = 4
_SHIFT_RATIO = 2.5
_WIDEST_FACTOR = 3.0
_OUTDOOR_DOUBT_FACTOR = 1.5
# No weather moves the mean of a day by so much within a day or two but a few times a year.
_ODD_OUTDOORS_K = 8.0
_USUAL_DAYS = 7
# The next three hours, beside what was measured in the last three.
_NOW_STEPS = 6


def trusted(history: History) -> tuple[History, list[str]]:
    """Return the history without an outdoor forecast that contradicts what is measured, and why."""
    known, measured = (kind.get("outdoor.air_c") for kind in (history.ahead, history.columns))
    if known is None or measured is None:
        return history, []
    count = len(history)
    soon, lately = known[count : count + _NOW_STEPS], measured[-_NOW_STEPS:]
    soon, lately = soon[np.isfinite(soon)], lately[np.isfinite(lately)]
    if not len(soon) or not len(lately):
        return history, []
    apart_k = abs(float(soon.mean() - lately.mean()))
    if apart_k <= _ODD_OUTDOORS_K:
        return history, []
    kept = {name: values for name, values in history.ahead.items() if not name.startswith("outdoor.")}
    return replace(history, ahead=kept), [
        f"the outdoor forecast is {apart_k:.0f} °C off what is measured outdoors: it is not used"
    ]


def young_notes(history: History) -> list[str]:
    """Say when there is little to learn from."""
    hours = len(history) / 2
    if hours < 3 * 24:
        return [f"only {hours:.0f} h of readings: the spread is that of any poly tent"]
    if len(history) < 14 * DAY_STEPS:
        return [f"only {hours / 24:.0f} days of readings: the forecast is still learning this shed"]
    return []


def outdoor_notes(history: History) -> list[str]:
    """Say when the outdoor readings have stopped, never were, or moved as weather hardly does."""
    for name in ("outdoor.air_c", "outdoor.humidity_pct"):
        if name in history.columns and age_steps(history.columns[name])[-1] > _STALE_STEPS:
            last = np.flatnonzero(np.isfinite(history.columns[name]))
            since = (
                f"since {from_us(int(history.times_us[last[-1]])):%d %b %H:%M} UTC" if len(last) else "ever"
            )
            return [f"nothing from outdoors {since}: the last value stands in"]
    off_k = _off_usual_k(history)
    if abs(off_k) <= _ODD_OUTDOORS_K:
        return []
    moved = f"{abs(off_k):.0f} °C {'warmer' if off_k > 0 else 'colder'} than the week before"
    return [f"outdoor.air_c: the last day was {moved}; if the weather did not turn, look at the sensor"]


def _off_usual_k(history: History) -> float:
    """Return how far the last day outdoors lies from the middle one of the days before the last two."""
    outdoors = history.columns.get("outdoor.air_c")
    if outdoors is None or len(outdoors) < (_USUAL_DAYS + 3) * DAY_STEPS:
        return 0.0
    days = outdoors[-(_USUAL_DAYS + 3) * DAY_STEPS :].reshape(-1, DAY_STEPS)
    heard = np.isfinite(days).sum(axis=1) >= DAY_STEPS // 2
    means = np.array([np.nanmean(day) for day, enough in zip(days, heard, strict=True) if enough])
    if not heard[-1] or heard[:_USUAL_DAYS].sum() < _USUAL_DAYS // 2:
        return 0.0
    return float(means[-1] - np.median(means[: int(heard[:_USUAL_DAYS].sum())]))


def widening(history: History, unit: Unit, errors: Array) -> tuple[float, list[str]]:  # a pure factor
    """Return by how much to widen the spread of one (bay, quantity), and why.

    `errors` (knots, n) are those of the forecasts so far, by origin.
    """
    name = ".".join(unit)
    notes = []
    age = int(age_steps(history.columns[name])[-1])
    width = _OUTDOOR_DOUBT_FACTOR if outdoor_notes(history) else 1.0
    if age > _STALE_STEPS:
        width = max(width, float(np.sqrt(1.0 + age / 6.0)))
        notes.append(f"{name}: last heard {age / 2:.0f} h ago")
    recent = history.columns[name][-2 * DAY_STEPS :]
    recent = recent[np.isfinite(recent)]
    if len(recent) >= DAY_STEPS and np.ptp(recent) == 0:
        notes.append(f"{name}: has not moved at all for a day; is the sensor alive?")
    shift = _shift_ratio(errors, len(history))
    if shift > _SHIFT_RATIO:
        width = max(width, shift)
        notes.append(
            f"{name}: the last day was {shift:.1f} times as far from the forecast as usual "
            "(a sensor moved, a heater changed, a door left open?)"
        )
    return min(width, _WIDEST_FACTOR), notes


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
