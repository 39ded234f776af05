"""Replay the decisions: how often what was called `go` held, and how honest the odds were."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast.blend import Starts, replayed
from forecast.forecaster import refit_steps
from forecast.hindcast import SCHEMA, Plan, Work, each_bay
from forecast.hindcast import replayed as replayed_mix
from forecast.past import DAY_STEPS, Array, History, Times
from forecast.spread import POOL_DAYS
from forecast.voices import QUANTILES, VOICES, BayPast, Hold, Voices, sides

ALONE = Work()
"""Every bay, in this process, without telling how far it is."""

_TENTHS = 10


@dataclass(frozen=True, slots=True, eq=False)
class Said:
    """What was said of starts at once, and how they went.

    `steps` (n,) of the history; `odds` (n,); `held` (n,) 1 or 0; `fine` (n,) whether the limits
    held at the start itself, which is all that a meter can tell.
    """

    steps: Times
    odds: Array
    held: Array
    fine: npt.NDArray[np.bool_]


def said_of(past: BayPast, points: Mapping[str, Array], hold: Hold, steps: Times, first: int) -> Said:
    """Return the odds that live forecasts would have given to starts at `steps`, those that can be scored.

    Parameters
    ----------
    past : BayPast
        The bay.
    points : mapping of quantity to (knots, n) array
        The mix by origin.
    hold : Hold
        What is to hold.
    steps : (n,) array
        The starts, rising.
    first : int
        Where the replay begins: the first step at which ridges may be fitted.
    """
    voices = Voices(past, points, refit_steps(first, len(past.history)), hold.steps)
    fine, held = past.fine(hold)[steps], past.held(hold)[steps]
    spoken = np.full((len(steps), len(VOICES)), np.nan)
    slacks = np.full((len(steps), len(QUANTILES) * len(sides(hold.limits))), np.nan)
    for place, step in enumerate(steps):
        if fine[place] == 1.0 and (found := voices.at(int(step), hold)) is not None:
            spoken[place], slacks[place] = found
    heard = np.isfinite(spoken).all(axis=1)
    odds = np.where(fine == 0.0, 0.0, np.nan)
    odds[heard], _ = replayed(Starts(steps[heard], hold.steps, spoken[heard], slacks[heard], held[heard]))
    known = np.isfinite(odds) & np.isfinite(held)
    return Said(steps[known], odds[known], held[known], fine[known] == 1.0)


def window_scores(said: Said, go_odds: float) -> dict[str, Any]:
    """Return the scores of one bay.

    `wrong` is the share of starts called go that failed, `kept` that of the good starts that
    were called go; the meter rule calls go whatever is fine at the moment. The Brier skill is
    against always giving the starts' own base rate.

    >>> sure = Said(np.arange(4), np.array([1.0, 1.0, 0.0, 0.0]), np.array([1.0, 1.0, 0.0, 0.0]),
    ...             np.array([True, True, True, False]))
    >>> found = window_scores(sure, 0.9)
    >>> found["brier_skill"], found["go"], found["meter_rule"]["wrong"]
    (1.0, {'n': 2, 'wrong': 0.0, 'kept': 1.0}, 0.3333333333333333)
    """
    odds, held = said.odds, said.held
    if not len(odds):
        return {"n": 0}
    base, brier = float(held.mean()), float(((odds - held) ** 2).mean())
    go, good = odds >= go_odds, held == 1.0
    apart = base * (1.0 - base)
    tenths = np.minimum((odds * _TENTHS).astype(np.int64), _TENTHS - 1)
    reliability = [
        {
            "odds": float(odds[tenths == one].mean()),
            "held": float(held[tenths == one].mean()),
            "n": int((tenths == one).sum()),
        }
        for one in np.unique(tenths)
    ]
    return {
        "n": len(odds),
        "base_rate": base,
        "brier": brier,
        "brier_skill": 1.0 - brier / apart if apart > 0.0 else None,
        "go": {"n": int(go.sum()), "wrong": _share(~good[go]), "kept": _share(go[good])},
        "meter_rule": {"n": int(said.fine.sum()), "wrong": _share(~good[said.fine])},
        "reliability": reliability,
    }


def _share(of: npt.NDArray[np.bool_]) -> float | None:
    return float(of.mean()) if len(of) else None


def hindcast_windows(
    history: History, plan: Plan, hold: Hold, go_odds: float, work: Work = ALONE
) -> dict[str, Any]:
    """Replay the decisions of every bay by `plan` and return ``layday/hindcast/1`` with ``windows``.

    A bay that does not measure what the limits are about is left out.
    """
    found = each_bay(history, partial(_score_bay, plan=plan, hold=hold, go_odds=go_odds), work)
    return {"schema": SCHEMA, "windows": {bay: scores for bay, scores in found.items() if scores}}


def _score_bay(
    history: History,
    bay: str,
    *,
    plan: Plan,
    hold: Hold,
    go_odds: float,
    progress: Callable[[float], None] = lambda _: None,
) -> dict[str, Any]:
    """Return the scores of one bay; empty where it does not measure what the limits are about."""
    past = BayPast(history.until(plan.end), bay)
    if not measures(past, hold):
        return {}
    points = {quantity: one for (_, quantity), one in replayed_mix(history, plan, [bay], progress).items()}
    first = max(0, plan.start - POOL_DAYS * DAY_STEPS)
    # the weeks before the plan teach and are not scored
    steps = np.arange(first + (plan.start - first) % plan.every_steps, plan.end, plan.every_steps)
    said = said_of(past, points, hold, steps, first)
    scored = said.steps >= plan.start
    return window_scores(
        Said(said.steps[scored], said.odds[scored], said.held[scored], said.fine[scored]), go_odds
    )


def measures(past: BayPast, hold: Hold) -> bool:
    """Whether a bay measures all that the limits are about."""
    names = {name for name, _, _ in sides(hold.limits)}
    if "margin_k" in names:
        names |= {"air_c", "humidity_pct"}
    return all(past.quantity(name) in past.values for name in names - {"margin_k"})
