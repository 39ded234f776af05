"""Odds by start, made better by what has held in this shed: `LearnedOdds` is a `forecast.window.Recalibrate`.

The last weeks are replayed as if live: at every other hour the voices of `forecast.voices` gave
odds that a job's limits hold, from a start at once and from one three hours later. What held
since decides how far the voices are believed, and how the paths' own odds are corrected.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from forecast.blend import Blend, Starts, replayed
from forecast.forecaster import refit_steps
from forecast.job import Job, JobLimits
from forecast.past import DAY_STEPS, STEP_MIN, STEP_US, Array, History
from forecast.paths import Unit
from forecast.rate import Floats
from forecast.start_odds import StartOdds
from forecast.voices import BayPast, Hold, Voices, sides
from forecast.window_hindcast import measures

LEADS_STEPS = (0, 6)
"""Half hours ahead at which starts are scored; a start goes by the nearest at or before it."""

_REPLAYED_DAYS = 42
_EVERY_STEPS = 4
_LEAST_STARTS = 60
# On measured sets what is learned helps starts within some hours; beyond, the paths know as much.
_FADES_FROM_STEPS, _FADES_TO_STEPS = 6, 18
_GEL_MIN = 40.0  # how long limits must hold on after the work, near enough to learn by
_CLIP_ODDS = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class _Learned:
    """What was learned of one bay and job: by lead a blend, and what the voices say now."""

    voices: Voices
    blends: Mapping[int, Blend]


class LearnedOdds:
    """Corrects the odds of starts in any bay of one shed; learns a job when it is first asked about.

    Parameters
    ----------
    history : History
        The readings up to now.
    points : mapping of (bay, quantity) to (knots, n) array
        The mix by origin over all of `history` (`Forecaster.points`).
    """

    def __init__(self, history: History, points: Mapping[Unit, Array]) -> None:
        self._history, self._points = history, points
        self._pasts: dict[str, BayPast] = {}
        self._learned: dict[tuple[str, JobLimits, int], _Learned | None] = {}

    def __call__(self, bay: str, job: Job, starts: StartOdds) -> Floats:
        """Return better odds (starts,); the paths' own where there is too little experience."""
        span_min = job.prepare_min + job.work_min + (0.0 if job.card is None else _GEL_MIN)
        hold = Hold(job.all_limits, int(np.ceil(span_min / STEP_MIN)))
        key = bay, hold.limits, hold.steps
        if key not in self._learned:
            self._learned[key] = self._learn(bay, hold)
        found = self._learned[key]
        return starts.odds if found is None else self._corrected(found, hold, starts)

    def _learn(self, bay: str, hold: Hold) -> _Learned | None:
        """Replay one job in one bay; None where it cannot be, or nothing is known yet."""
        history = self._history
        past = self._pasts.setdefault(bay, BayPast(history, bay))
        points = {quantity: one for (place, quantity), one in self._points.items() if place == bay}
        if hold.steps > DAY_STEPS or not sides(hold.limits) or set(points) != set(past.values):
            return None
        if not measures(past, hold):
            return None
        count = len(history)
        first = max(0, count - _REPLAYED_DAYS * DAY_STEPS)
        voices = Voices(past, points, refit_steps(first, count), _FADES_TO_STEPS + hold.steps)
        held, fine = past.held(hold), past.fine(hold)
        blends = {}
        for lead in LEADS_STEPS:
            starts = _replay(voices, hold, lead, (first, count), (held, fine))
            if np.isfinite(starts.held).sum() >= _LEAST_STARTS:
                blends[lead] = replayed(starts)[1]
        return _Learned(voices, blends) if blends else None

    def _corrected(self, found: _Learned, hold: Hold, starts: StartOdds) -> Floats:
        """Move each start's odds by as much as the blend moves those of its first voice."""
        origin = len(self._history) - 1
        last_us = int(self._history.times_us[-1])
        leads = np.maximum((starts.times_us - last_us + STEP_US // 2) // STEP_US, 0)
        shift = np.zeros(len(leads))
        known = np.array(sorted(found.blends))
        for lead in np.unique(leads[leads < _FADES_TO_STEPS]):
            at = known[known <= lead]
            if not at.size:
                continue
            said = found.voices.at(origin, hold, int(lead))
            if said is not None:
                odds, slacks = said
                better = found.blends[int(at[-1])].odds(odds[None, :], slacks[None, :])[0]
                full = _logit(better) - _logit(odds[0])
                shift[leads == lead] = full * _faded(int(lead))
        moved = 1.0 / (1.0 + np.exp(-(_logit(starts.odds) + shift)))
        # what no path allows, and what nothing was learned of, stays as it is
        return np.where((starts.odds > 0.0) & (shift != 0.0), moved, starts.odds)


def _faded(lead: int) -> float:  # a share
    """Return how much of what was learned counts so many steps ahead."""
    return min(1.0, max(0.0, (_FADES_TO_STEPS - lead) / (_FADES_TO_STEPS - _FADES_FROM_STEPS)))


def _replay(
    voices: Voices, hold: Hold, lead: int, span: tuple[int, int], truth: tuple[Array, Array]
) -> Starts:
    """Return what would have been said of starts `lead` half hours ahead, and how they went."""
    held, fine = truth
    steps, odds, slacks, outcome = [], [], [], []
    for origin in range(span[0], span[1] - 1, _EVERY_STEPS):
        start = origin + lead
        if lead == 0 and fine[start] != 1.0:
            continue  # what is broken already needs no odds
        said = voices.at(origin, hold, lead)
        if said is not None:
            steps.append(origin)
            odds.append(said[0])
            slacks.append(said[1])
            outcome.append(held[start] if start < len(held) else np.nan)
    if not steps:
        return Starts(
            np.zeros(0, dtype=np.int64), lead + hold.steps, np.zeros((0, 3)), np.zeros((0, 1)), np.zeros(0)
        )
    return Starts(np.array(steps), lead + hold.steps, np.array(odds), np.array(slacks), np.array(outcome))


def _logit(odds: Floats | float) -> Floats:
    kept = np.clip(odds, _CLIP_ODDS, 1.0 - _CLIP_ODDS)
    return np.asarray(np.log(kept / (1.0 - kept)))
