"""A heater and its shed made ready for questions: what is known, planned and coming, and what was learned."""

from dataclasses import dataclass, replace

import numpy as np

from forecast.card import Card
from forecast.climate_fit import ClimateFit, fit_climate
from forecast.climate_past import Array, ClimatePast
from forecast.climate_run import Shed, Weather
from forecast.climate_water import fit_water
from forecast.fuel import HoursAhead
from forecast.near_course import Near
from forecast.thermostat import measured_thermostat, sawtooth, usual_thermostat
from forecast.time_surface import TimeSurface

LEARN_H = 24.0 * 7
"""A week of past teaches a shed; more tells of another season."""

PIPE = "pipe"
"""How a heater is known that gives more or less (`ReadyShed.source`)."""
_PIPE_FULL_K = 60.0  # a pipe so much above the air gives all it can; only ratios matter


@dataclass(frozen=True, slots=True)
class HeaterSettings:
    """What is known of the heater: `fuel` is propane, diesel or electric; None where nobody knows.

    `unvented` says whether its flame's gases and water stay in the shed.
    """

    bay: str | None = None
    fuel: str = "propane"
    unvented: bool = True
    power_w: float | None = None
    tank_kg: float | None = None
    changed_us: int | None = None


@dataclass(frozen=True, slots=True)
class PotPlan:
    """The resin somebody means to mix; `plan_c` is the temperature planned for, None the setting."""

    card: Card
    surface: TimeSurface
    catalyst_pct: float
    plan_c: float | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """What the part needs: how warm, of what thickness [mm], and up to what the air may go."""

    target_c: float = 16.0
    thickness_mm: float = 8.0
    air_max_c: float = 30.0


@dataclass(frozen=True, slots=True)
class Coming:
    """What is known ahead, on the past's step from its end on: the programme, and the weather if forecast.

    `setpoint_c` (steps,) covers at least four hours; `hours` is for the fuel.
    """

    setpoint_c: Array
    weather: Weather | None
    hours: HoursAhead


@dataclass(frozen=True, slots=True)
class ReadyShed:
    """A shed that was learned, the past with its heater's course, and how that is known.

    `near` is what was learned of the next two hours where the heater gives more or less.
    """

    shed: Shed
    past: ClimatePast
    source: str
    near: Near | None = None


def is_steered(past: ClimatePast) -> bool:
    """Say whether the heater is one that gives more or less: its pipe is measured, and no burner."""
    return bool(np.isfinite(past.pipe_c).any()) and not np.isfinite(past.burn_share).any()


def pipe_share(past: ClimatePast) -> Array:
    """Return what share of full power a pipe gives, (n,): of its warmth above the mean of the bays' air."""
    heard = np.isfinite(past.air_c)
    air_c = np.where(heard, past.air_c, 0.0).sum(axis=0) / np.maximum(heard.sum(axis=0), 1)
    return np.asarray(np.clip((past.pipe_c - air_c) / _PIPE_FULL_K, 0.0, 1.0))


def ready_shed(past: ClimatePast, settings: HeaterSettings, start: ClimateFit | None = None) -> ReadyShed:
    """Learn a shed from its past: takes seconds, and serves for hours.

    Parameters
    ----------
    past : ClimatePast
        A week is enough; an hour gives a poly tent like any other.
    settings : HeaterSettings
    start : ClimateFit, optional
        An earlier fit to begin from.
    """
    place = past.bays.index(settings.bay) if settings.bay in past.bays else None
    source = "heater input" if np.isfinite(past.burn_share).any() else PIPE if is_steered(past) else "none"
    found = sawtooth(past) if source == "none" else None
    if found is not None:
        burn, middle_c, swinging = found
        told = np.isfinite(past.setpoint_c).any()
        past = replace(past, burn_share=burn, setpoint_c=past.setpoint_c if told else middle_c)
        place = swinging if place is None else place
        source = "saw-tooth"
    fed = past.with_burn(pipe_share(past)) if source == PIPE else past
    heat = fit_climate(fed, settings.power_w, start)
    unvented = settings.unvented and settings.fuel != "electric" and source != PIPE
    water = fit_water(past, heat, unvented=unvented)
    sensed = heat.order[0] if place is None else place
    switches = source not in {"none", PIPE}
    thermostat = measured_thermostat(past, place) if switches else usual_thermostat(sensed)
    return ReadyShed(Shed(heat, water, thermostat, unvented), past, source)
