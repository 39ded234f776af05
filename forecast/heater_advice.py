"""What is said of the heater from courses of the air, however they were made: peak, pot, advice."""

from datetime import datetime, timedelta

import numpy as np

from forecast.climate_past import Array
from forecast.heater_plan import Choice, best_of, peak_of
from forecast.heater_shed import Part, PotPlan
from forecast.heater_state import Action, HeaterAdvice, Overshoot, Sign, WorkTime
from forecast.heater_work import BatchPace, batch_pace

_LOW, _HIGH = 0.1, 0.9
_SOON_S = 1800.0
_STOP_SIGNS = (Sign.HEATER_STOPPED, Sign.SENSOR_MOVED)


def top_c(setpoint_c: Array) -> float | None:
    """Return the highest setting that is known of a programme, None where none is."""
    known = setpoint_c[np.isfinite(setpoint_c)]
    return float(known.max()) if len(known) else None


def limit_c(programme: Array, band_k: float, part: Part) -> float:
    """Return what the air should not pass: the part's limit, or a band above the highest setting."""
    top = top_c(programme)
    return part.air_max_c if top is None else min(part.air_max_c, top + max(1.0, band_k))


def planned_pace(pot: PotPlan | None, programme: Array, air_c: Array) -> BatchPace | None:
    """Return the pace of the pot planned, None without one.

    Parameters
    ----------
    pot : PotPlan or None
    programme : array
        The settings ahead, (steps,).
    air_c : array
        The bay's air as measured, (n,): without a plan and a setting, that of now stays.
    """
    if pot is None:
        return None
    air = air_c[np.isfinite(air_c)]
    top = top_c(programme[: len(programme) // 2])
    # Only where the thermostat hangs does its setting say how warm the air will be.
    plan_c = pot.plan_c if pot.plan_c is not None else float(air[-1]) if top is None else top
    return batch_pace(pot.card, pot.surface, pot.catalyst_pct, float(np.clip(plan_c, -10.0, 60.0)))


def overshoot(
    air_c: Array, step_s: float, bay: str, at: datetime, limit_c: float, part_c: float | None
) -> Overshoot:
    """Return the highest air of courses (paths, steps) from `at` on, and the odds that it passes a limit.

    `part_c` is the part's own highest, likely; None without a probe.
    """
    peak = peak_of(air_c, step_s)
    low_c, likely_c, high_c = (float(value) for value in np.quantile(peak.peak_c, (_LOW, 0.5, _HIGH)))
    early, likely, late = (
        at + timedelta(seconds=(float(step) + 1.0) * step_s)
        for step in np.quantile(peak.step, (_LOW, 0.5, _HIGH), method="nearest")
    )
    odds = float(np.mean(peak.peak_c > limit_c))
    return Overshoot(bay, likely_c, low_c, high_c, likely, early, late, part_c, limit_c, odds)


def advised(
    sign: Sign, found: list[Choice], pace: BatchPace | None, at: datetime, step_s: float
) -> tuple[HeaterAdvice, WorkTime | None]:
    """Say what to set for the best start of the pot planned; nothing on a sign that says to go and look.

    `found` are the choices, first that in which nothing is done; `step_s` is the step of their courses.
    """
    if sign in _STOP_SIGNS or pace is None:
        return HeaterAdvice(Action.NO_NEWS if sign is Sign.SENSOR_MOVED else Action.KEEP), None
    keep, best = found[0], best_of(found, pace, step_s)

    def moment(step: int) -> datetime:
        return at + timedelta(seconds=(step + 1) * step_s)

    work = WorkTime(
        pace.card, pace.catalyst_pct, pace.plan_c, pace.plan_min,
        moment(keep.worst_start_step), keep.worst_work_min, keep.worst_lost_min,
    )  # fmt: skip
    scenario = best.scenario
    if best.start_step is None:
        return HeaterAdvice(Action.WAIT), work
    if scenario.by_step is None or scenario.setpoint_c is None:
        soon = best.start_step * step_s <= _SOON_S
        action, setpoint_c, by_at = (Action.KEEP if soon else Action.WAIT), None, None
    else:
        off = bool(np.isnan(scenario.setpoint_c))
        action = Action.OFF if off else Action.SET
        setpoint_c, by_at = (
            (None if off else scenario.setpoint_c),
            at + timedelta(seconds=scenario.by_step * step_s),
        )
    return HeaterAdvice(
        action, setpoint_c, by_at, moment(best.start_step), best.work_min, best.peak_c, best.odds
    ), work
