"""What would still get a cure there in time: how much warmer, from when at the latest, or a cover."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from itertools import takewhile

import numpy as np

from forecast.cure_ahead import PartAhead, StagePaths
from forecast.cure_outlook import DEW_ODDS, Dew, Remedy, Rescue
from forecast.rate import Floats

HEATER_K = 10.0
"""What a heater brought to the part is taken to give: common practice, no source."""
MOST_WARMER_K = 15
"""Nobody warms a hull in a tent by more than this: common practice, no source."""
WARMEST_C = 40.0
"""Beyond it a laminate is post-cured, not rescued: common practice, no source."""
SOONEST = timedelta(minutes=30)
"""It takes this long to get up and do something: our choice."""

_STEP_H = 1.0 / 6.0
_WORTH_ODDS = 0.05


def rescues(
    wanted: StagePaths | None, wanted_at: datetime | None, dew: Dew | None, ahead: PartAhead, go_odds: float
) -> tuple[Rescue, ...]:
    """Return what may still be done, the most pressing first; empty where nothing need or can be.

    Parameters
    ----------
    wanted : StagePaths, optional
        The stage wanted, if it is not reached yet.
    wanted_at : datetime, optional
        The hour wanted, within the paths.
    dew : Dew, optional
        The odds of dew before the surface is tack-free.
    ahead : PartAhead
        The part's paths.
    go_odds : float
        The odds that are good enough; nothing is offered for a cure that has them.
    """
    found = []
    if dew is not None and dew.odds >= DEW_ODDS:
        found.append(Rescue(Remedy.COVER, dew.earliest_at or dew.likely_at))
    if wanted is not None and wanted_at is not None:
        found += _warmer(wanted, wanted_at, ahead, go_odds)
    return tuple(found)


def relight(odds_from: Sequence[tuple[datetime, float]], as_is_odds: float, go_odds: float) -> Rescue | None:
    """Return by when a heater that has stopped must burn again; None where that changes little.

    Parameters
    ----------
    odds_from : sequence of (datetime, float)
        The odds of being ready if it burns again from some moments on, the soonest first.
    as_is_odds : float
        Those if nobody lights it.
    go_odds : float
        The odds that are good enough. Where none are, there is no last moment: the sooner the better.
    """
    if not odds_from or as_is_odds >= go_odds:
        return None
    enough = list(takewhile(lambda one: one[1] >= go_odds, odds_from))
    by_at, odds = enough[-1] if enough else (None, odds_from[0][1])
    if odds - as_is_odds < _WORTH_ODDS:
        return None
    return Rescue(Remedy.LIGHT, by_at, odds=odds)


def _warmer(wanted: StagePaths, wanted_at: datetime, ahead: PartAhead, go_odds: float) -> list[Rescue]:
    """Find the least warming from soon on that is enough, and the latest hour at which a heater still is."""
    end_h = (wanted_at - ahead.at) / timedelta(hours=1)
    soon_h = SOONEST / timedelta(hours=1)
    if end_h <= soon_h or np.mean(wanted.arrival_h <= end_h) >= go_odds:
        return []
    times = np.linspace(0.0, end_h, max(int(np.ceil(end_h / _STEP_H)), 1) + 1)
    temps = _at_times(ahead, times)
    as_is = _running(wanted, temps, times)
    start = int(np.searchsorted(times, soon_h))
    for warmer_k in range(1, MOST_WARMER_K + 1):
        odds = _odds_from(wanted, as_is, _running(wanted, _warmed(temps, warmer_k), times))
        if odds[start] >= go_odds:
            break
    else:
        return []
    middle = np.median(_warmed(temps, warmer_k)[:, start:], axis=0)
    found = [
        Rescue(
            Remedy.WARM,
            ahead.at + timedelta(hours=float(times[start])),
            float(warmer_k),
            end_h - float(times[start]),
            float(middle.mean()),
            float(odds[start]),
        )
    ]
    return found + _heater(wanted, ahead, (times, temps, as_is), go_odds)


def _heater(
    wanted: StagePaths, ahead: PartAhead, frame: tuple[Floats, Floats, Floats], go_odds: float
) -> list[Rescue]:
    """Return the latest hour at which a heater brought to the part is still enough."""
    times, temps, as_is = frame
    warmed = _warmed(temps, HEATER_K)
    odds = _odds_from(wanted, as_is, _running(wanted, warmed, times))
    enough = np.flatnonzero((odds >= go_odds) & (times >= SOONEST / timedelta(hours=1)))
    if not enough.size:
        return []
    last = int(enough[-1])
    return [
        Rescue(
            Remedy.HEATER_ON,
            ahead.at + timedelta(hours=float(times[last])),
            HEATER_K,
            float(times[-1] - times[last]),
            float(np.median(warmed[:, last:], axis=0).mean()),
            float(odds[last]),
        )
    ]


def _at_times(ahead: PartAhead, times: Floats) -> Floats:
    """Read all paths between their samples."""
    samples = ahead.course.elapsed_h
    left = np.clip(np.searchsorted(samples, times, side="right") - 1, 0, samples.size - 2)
    part = (times - samples[left]) / (samples[left + 1] - samples[left])
    before, after = ahead.course.temps_c[:, left], ahead.course.temps_c[:, left + 1]
    return np.asarray(before + (after - before) * part)


def _warmed(temps_c: Floats, warmer_k: float) -> Floats:
    """Warm all paths, but none beyond what a rescue may reach (nor cool one that is there already)."""
    return np.maximum(temps_c, np.minimum(temps_c + warmer_k, WARMEST_C))


def _running(wanted: StagePaths, temps_c: Floats, times: Floats) -> Floats:
    """Sum the stage's likely rate along the paths; ten-minute trapezoids are good for a rescue."""
    rate = wanted.pace.likely.per_h(np.clip(temps_c, -40.0, 200.0))
    steps = (rate[:, 1:] + rate[:, :-1]) / 2.0 * np.diff(times)
    return np.concatenate((np.zeros((steps.shape[0], 1)), np.cumsum(steps, axis=1)), axis=1)


def _odds_from(wanted: StagePaths, as_is: Floats, warmed: Floats) -> Floats:
    """Return, per step, the odds of being there at the end if the warming begins at that step."""
    had = as_is + (warmed[:, -1:] - warmed)
    return np.asarray(np.mean(had >= wanted.need[:, None], axis=0))
