"""The heater at one moment: how it runs, where it overshoots, what to do, and how long it burns.

layday advises; it never switches a heater.
"""

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from forecast.climate_past import Array, ClimatePast, Times
from forecast.climate_run import Course, Shed
from forecast.fuel import (
    DIESEL_J_KG,
    PROPANE_J_KG,
    burned_kg,
    full_burn_kg_h,
    run_out,
    scale_kg,
)
from forecast.heater_advice import advised, limit_c, overshoot, planned_pace, top_c
from forecast.heater_near import DEAF, LEARNED, YOUNG, learned_outlook
from forecast.heater_plan import (
    AHEAD_H,
    Ahead,
    Bench,
    Choice,
    Scenario,
    candidates,
    choices,
    courses,
    look_ahead,
)
from forecast.heater_shed import PIPE, Coming, HeaterSettings, Part, PotPlan, ReadyShed
from forecast.heater_signs import pipe_gone_cold, sign_of
from forecast.heater_state import (
    Action,
    Fuel,
    HeaterAdvice,
    HeaterNow,
    HeaterOutlook,
    Running,
    Sign,
    WarmUp,
)
from forecast.warm_up import warm_up

_DUTY_H = 3.0
_BURNING = 0.5
_STALE_S = 1800.0
_HEAT_J_KG: Mapping[str, float] = {"propane": PROPANE_J_KG, "diesel": DIESEL_J_KG}


def heater_outlook(  # noqa: PLR0913  all but the first four have defaults
    ready: ReadyShed,
    settings: HeaterSettings,
    coming: Coming,
    at: datetime,
    *,
    bay: str | None = None,
    pot: PotPlan | None = None,
    part: Part | None = None,
    gas: tuple[Times, Array] | None = None,
    seed: int = 0,
) -> HeaterOutlook:
    """Return all that can be said of the heater at `at`, the end of the past.

    Parameters
    ----------
    ready : ReadyShed
        Its past ends at `at`.
    settings : HeaterSettings
    coming : Coming
    at : datetime
        The moment, aware.
    bay : str, optional
        The bay where one works; that of the thermostat if not given.
    pot : PotPlan, optional
        Without one there is a peak but no work time.
    part : Part, optional
    gas : (times, kg), optional
        What a scale under the bottle read.
    seed : int, optional

    Raises
    ------
    ValueError
        If there is no such bay.
    """
    shed, past = ready.shed, ready.past
    if ready.source == PIPE:
        settings = replace(settings, unvented=False)  # hot water comes in without the flame that heats it
    where = past.bays[shed.thermostat.place] if bay is None else bay
    if where not in past.bays:
        raise ValueError(f"no bay is called {where!r}; there are {', '.join(past.bays)}")
    place = past.bays.index(where)
    part = part or Part()
    nothing = _no_news(ready, settings, at, where, _fuel(ready, settings, coming, gas, at))
    if blind := _blind(ready, coming, place):
        return replace(nothing, notes=(blind, *nothing.notes))
    told = _with_sign(nothing, ready)
    if ready.near is not None:
        return learned_outlook(told, ready, ready.near, coming, pot, part, seed)
    stopped = told.sign is Sign.HEATER_STOPPED
    steps = round(AHEAD_H * 3600 / past.step_s)
    programme = np.full(steps, np.nan) if stopped else coming.setpoint_c[:steps]
    ahead = look_ahead(shed, past, coming.weather, seed=seed)
    pace = planned_pace(pot, programme, past.air_c[place])
    probed = bool(np.isfinite(past.part_c[place]).any())
    bench = None if pace is None else Bench(place, pace, part.target_c if probed else None)
    first, found = _searched(shed, ahead, programme, place, bench)
    part_peak_c = float(np.median(first.part_c[place].max(axis=1))) if probed else None
    bound_c = limit_c(programme, shed.thermostat.band_k, part)
    over = overshoot(first.air_c[place], first.step_s, where, at, bound_c, part_peak_c)
    advice, work = advised(told.sign, found, pace, at, past.step_s)
    warm = _warmed(first, place, part, at, past, programme) if probed else None
    return replace(
        told, overshoot=over, work=work, advice=advice, warm_up=warm, cautions=cautions(settings, advice)
    )


def _with_sign(told: HeaterOutlook, ready: ReadyShed) -> HeaterOutlook:
    """Add what the last hour shows against the heater or its sensor, and since when."""
    past = ready.past
    found = (pipe_gone_cold if ready.source == PIPE else sign_of)(ready.shed, past)
    if not found.sign:
        return told
    since = told.at - timedelta(seconds=(len(past) - found.step) * past.step_s)
    stopped = found.sign is Sign.HEATER_STOPPED
    now = replace(told.now, running=Running.STOPPED, since=since) if stopped else told.now
    return replace(told, now=now, sign=found.sign, sign_since=since)


def _warmed(
    course: Course, place: int, part: Part, at: datetime, past: ClimatePast, programme: Array
) -> WarmUp:
    """Tell how the part gets warm; without a humidity nothing is said of dew."""
    warm = warm_up(
        course, place, part.target_c, at, thickness_mm=part.thickness_mm, setpoint_c=top_c(programme)
    )
    if np.isfinite(past.humidity_pct[place]).any():
        return warm
    return replace(warm, dew_odds=None, least_margin_k=None)


def _no_news(
    ready: ReadyShed, settings: HeaterSettings, at: datetime, bay: str, fuel: Fuel | None
) -> HeaterOutlook:
    """Say how the heater runs and how long it burns, and nothing of what comes."""
    # Where nothing is stepped, what the grey box lacks changes nothing.
    notes = [] if ready.source == PIPE else list(ready.shed.heat.unknown)
    if ready.near is not None:
        notes.append(LEARNED)
    if ready.source == "saw-tooth":
        notes.append("nothing says when the heater runs: its burning is read from the swing of the air")
    advice = HeaterAdvice(Action.NO_NEWS)
    return HeaterOutlook(
        at=at,
        bay=bay,
        now=heater_now(ready, at),
        sign=Sign.NONE,
        sign_since=None,
        overshoot=None,
        work=None,
        advice=advice,
        warm_up=None,
        fuel=fuel,
        cautions=cautions(settings, advice),
        notes=tuple(notes),
    )


def heater_now(ready: ReadyShed, at: datetime) -> HeaterNow:
    """Return the heater as measured up to `at`, the end of the past."""
    past, thermostat = ready.past, ready.shed.thermostat
    bay = past.bays[thermostat.place]
    recent = slice(max(0, len(past) - round(_DUTY_H * 3600 / past.step_s)), len(past))
    burn = past.burn_share[recent]
    air = past.air_c[thermostat.place, recent]
    heard, felt = burn[np.isfinite(burn)], air[np.isfinite(air)]
    running, since = Running.UNKNOWN, None
    if len(heard) and np.isfinite(past.burn_share[-1]):
        on = bool(past.burn_share[-1] > _BURNING)
        running = Running.BURNING if on else Running.IDLE
        other = np.flatnonzero((past.burn_share > _BURNING) != on)
        if len(other):
            since = at - timedelta(seconds=(len(past) - 1 - int(other[-1])) * past.step_s)
    measured = thermostat.switches > 0
    setting = past.setpoint_c[-1]
    return HeaterNow(
        bay=bay,
        running=running,
        since=since,
        setpoint_c=float(setting) if np.isfinite(setting) else None,
        band_k=thermostat.band_k if measured else None,
        lag_min=thermostat.lag_s / 60.0 if measured else None,
        low_c=float(np.quantile(felt, 0.05)) if len(felt) else None,
        high_c=float(np.quantile(felt, 0.95)) if len(felt) else None,
        duty_pct=100.0 * float(np.mean(heard)) if len(heard) else None,
        pipe_c=float(past.pipe_c[-1]) if np.isfinite(past.pipe_c[-1]) else None,
        source=ready.source,
    )


def cautions(settings: HeaterSettings, advice: HeaterAdvice) -> tuple[str, ...]:
    """Return what can hurt where this advice is followed; the data sheet and local rules decide."""
    flame = settings.fuel != "electric"
    told = []
    if flame and not settings.unvented:
        told.append("a flue may leak carbon monoxide, which kills without a smell: an alarm that works")
    if flame and settings.unvented:
        told.append(
            "unvented flame: carbon monoxide kills without a smell; fresh air, and an alarm that works"
        )
        told.append(
            "unvented flame: it makes water, about 1.6 kg for each kg of propane; watch the dew point"
        )
    told.append(
        "no flame, glowing wire or spark near solvent or styrene vapour: heater off and air the shed first"
        if flame
        else "no glowing wire or spark near solvent or styrene vapour"
    )
    if advice.action in {Action.SET, Action.OFF}:
        told.append("layday switches nothing: somebody has to, and to look that it burns")
    told.append("warm resin goes off early: small pots, poured out thin; a left pot gets hot enough to smoke")
    told.append("the resin maker's data sheet and local rules decide")
    return tuple(told)


def _blind(ready: ReadyShed, coming: Coming, place: int) -> str:
    """Return why nothing can be said of the next hours; empty if something can."""
    past, heat = ready.past, ready.shed.heat
    where = past.bays[place]
    if not _fresh(past.air_c[place], past.step_s):
        return f"no fresh reading of the air in {where}: nothing can be said of the next hours"
    if not np.isfinite(heat.error_k[heat.order.index(place)]):
        return f"less than half a day of {where}'s air was heard: ask again when there is more"
    if ready.source == PIPE and not _fresh(past.pipe_c, past.step_s):
        return DEAF
    if ready.source == PIPE and ready.near is None:
        return YOUNG
    if ready.source == "none" and not np.isfinite(coming.setpoint_c).any():
        return (
            "nothing says when the heater runs, and the air has no saw-tooth: where it peaks cannot be told"
        )
    return ""


def _fresh(values: Array, step_s: float) -> bool:
    heard = np.flatnonzero(np.isfinite(values))
    return bool(len(heard)) and (len(values) - 1 - int(heard[-1])) * step_s < _STALE_S


def _searched(
    shed: Shed, ahead: Ahead, programme: Array, place: int, bench: Bench | None
) -> tuple[Course, list[Choice]]:
    """Return the course as things go, and, where a pot is planned, every scenario with its best start."""
    as_is = courses(shed, ahead, programme, (Scenario(),))[0]
    if bench is None:
        return as_is, []
    scenarios = candidates(programme, float(as_is.air_c[place, :, 0].mean()), as_is.step_s)
    return as_is, choices(shed, ahead, programme, scenarios, bench)


def _fuel(
    ready: ReadyShed, settings: HeaterSettings, coming: Coming, gas: tuple[Times, Array] | None, at: datetime
) -> Fuel | None:
    """Return what is left and until when: by a scale, else by the tank's size and what was burned."""
    if settings.fuel not in _HEAT_J_KG or settings.power_w is None:
        return None
    past = ready.past
    full_kg_h = full_burn_kg_h(settings.power_w, _HEAT_J_KG[settings.fuel])
    left_kg = None if gas is None else scale_kg(*gas, int(past.times_us[-1]))
    source = "scale"
    if left_kg is None and settings.tank_kg is not None and settings.changed_us is not None:
        left_kg = max(0.0, settings.tank_kg - burned_kg(past, settings.changed_us, full_kg_h))
        source = "time since change"
    if left_kg is None:
        return None
    found = run_out(past, coming.hours, max(0.0, left_kg), full_kg_h, forecast=coming.weather is not None)
    if found is None:
        return None

    def moment(hours: float) -> datetime | None:
        return at + timedelta(hours=hours) if np.isfinite(hours) else None

    lasts_h = found.likely_h if np.isfinite(found.likely_h) else None
    return Fuel(
        settings.fuel, found.left_kg, found.burn_kg_h, lasts_h,
        moment(found.likely_h), moment(found.from_h), moment(found.to_h), source,
    )  # fmt: skip
