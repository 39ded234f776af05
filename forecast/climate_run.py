"""Step a fitted shed ahead on many paths at once, its heater run by a thermostat, under a scenario."""

from dataclasses import dataclass

import numpy as np

from forecast.climate import RUN_STEP_S, Array, Heat, Model, Outside, parts_of, scaled, step_heat
from forecast.climate_fit import ClimateFit, bridged, outside_filled, state_at_end
from forecast.climate_past import ClimatePast
from forecast.climate_water import (
    FLAME_WATER_G_J,
    Warmth,
    Water,
    WaterFit,
    held_pct,
    mixing_m3_s,
    skin_at_end,
    soaks_of,
    step_water,
)
from forecast.moisture import absolute_humidity_g_m3
from forecast.thermostat import Sensing, Thermostat, begin_sensing, call_for_heat


@dataclass(frozen=True, slots=True)
class Weather:
    """The outside ahead on steps of `step_s`: arrays (paths, steps), or (1, steps) alike for all paths.

    `vapour_g_m3` is the water in the outdoor air.
    """

    step_s: float
    air_c: Array
    sun_w_m2: Array
    wind_m_s: Array
    vapour_g_m3: Array

    def first(self, steps: int, paths: int | None = None) -> "Weather":
        """Return the first steps, of all or of the first paths."""
        air, sun, wind, vapour = (
            rows[:paths, :steps] for rows in (self.air_c, self.sun_w_m2, self.wind_m_s, self.vapour_g_m3)
        )
        return Weather(self.step_s, air, sun, wind, vapour)


@dataclass(frozen=True, slots=True)
class Course:
    """What may come, at the end of each step of `step_s`, bays in the past's order.

    `air_c`, `part_c` and `humidity_pct` are (bays, paths, steps), `burn_share` (paths, steps).
    """

    step_s: float
    air_c: Array
    part_c: Array
    humidity_pct: Array
    burn_share: Array

    def paths(self, which: slice) -> "Course":
        """Return some of the paths."""
        air, part, humid = (rows[:, which] for rows in (self.air_c, self.part_c, self.humidity_pct))
        return Course(self.step_s, air, part, humid, self.burn_share[which])


@dataclass(frozen=True, slots=True)
class Shed:
    """A fitted shed: its heat, its water, its thermostat; `unvented` says whether the flame's water stays."""

    heat: ClimateFit
    water: WaterFit
    thermostat: Thermostat
    unvented: bool


@dataclass(frozen=True, slots=True)
class Start:
    """Where paths begin: heat, water, and what the thermostat remembers."""

    heat: Heat
    water: Water
    sensing: Sensing

    def times(self, count: int) -> "Start":
        """Return the same paths `count` times over, one set after the other."""

        def rows(values: Array) -> Array:
            return np.tile(values, (1, count))

        heat, water = self.heat, self.water
        return Start(
            Heat(rows(heat.air_c), rows(heat.part_c), rows(heat.mass_c), np.tile(heat.casing_j, count)),
            Water(rows(water.vapour_g_m3), rows(water.skin_g), np.tile(water.came_in_g, count)),
            Sensing(np.tile(self.sensing.felt_c, count), np.tile(self.sensing.calling, count)),
        )


def start_at_end(shed: Shed, past: ClimatePast, paths: int) -> Start:
    """Return where a past ends, once per path: measured where there is a sensor, driven along where not."""
    heat = state_at_end(shed.heat, past)
    shape = (len(past.bays), paths)

    def spread(row: Array) -> Array:
        return np.array(np.broadcast_to(row, shape))

    humid = bridged(past.humidity_pct[list(shed.heat.order)], 70.0)[:, -1:]
    held = absolute_humidity_g_m3(np.clip(heat.air_c, -60.0, 90.0), np.clip(humid, 0.1, 100.0))
    return Start(
        Heat(
            spread(heat.air_c),
            spread(heat.part_c),
            spread(heat.mass_c),
            np.full(paths, float(heat.casing_j[0])),
        ),
        Water(spread(held), spread(skin_at_end(shed.water.model, past, shed.heat.order)), np.zeros(paths)),
        begin_sensing(shed.thermostat, past, paths),
    )


def run(
    shed: Shed,
    start: Start,
    weather: Weather,
    setpoint_c: Array,
    extra_w: Array | None = None,
    longest_s: float = RUN_STEP_S,
) -> Course:
    """Step a shed ahead under a scenario.

    Parameters
    ----------
    shed : Shed
    start : Start
        Not changed.
    weather : Weather
        Its steps are those of the course.
    setpoint_c : array
        The scenario, (steps,) or (paths, steps): the thermostat's setting; NaN where the heater is off,
        infinity where it burns without a thermostat.
    extra_w : array, optional
        Heat that nothing explains, into each bay's air (bays, paths, steps), in the model's order [W].
    longest_s : float, optional
        Steps are cut into parts of at most so long [s].
    """
    model, heat = shed.heat.model, start.heat.copy()
    water = Water(start.water.vapour_g_m3.copy(), start.water.skin_g.copy(), start.water.came_in_g.copy())
    sensing = Sensing(start.sensing.felt_c.copy(), start.sensing.calling.copy())
    steps, shape = setpoint_c.shape[-1], heat.air_c.shape
    sensed_row = shed.heat.order.index(shed.thermostat.place)
    parts = parts_of(model, weather.step_s, longest_s)
    dt_s, soaks = weather.step_s / parts, soaks_of(shed.water.model, model, weather.step_s)
    air, part, humid = (np.empty((steps, *shape)) for _ in range(3))
    burn = np.zeros((steps, shape[1]))
    for step in range(steps):
        outside = Outside(weather.air_c[:, step], weather.sun_w_m2[:, step], weather.wind_m_s[:, step])
        for _ in range(parts):
            share = call_for_heat(
                shed.thermostat, sensing, heat.air_c[sensed_row], setpoint_c[..., step], dt_s
            )
            step_heat(model, heat, outside, share, dt_s)
            burn[step] += share / parts
            if extra_w is not None:
                heat.air_c += extra_w[:, :, step] * dt_s / model.air_j_k
        flame_g_s = model.heater_share * burn[step] * (model.power_w * FLAME_WATER_G_J * shed.unvented)
        warmth = Warmth(
            heat.air_c, heat.mass_c, outside.air_c, outside.wind_m_s, flame_g_s,
            mixing_m3_s(model, heat.air_c, burn[step]),
        )  # fmt: skip
        step_water(shed.water.model, water, warmth, weather.vapour_g_m3[:, step], weather.step_s, soaks)
        air[step], part[step], humid[step] = heat.air_c, heat.part_c, held_pct(heat.air_c, water.vapour_g_m3)
    back = np.argsort(shed.heat.order)
    air, part, humid = (rows.transpose(1, 2, 0)[back] for rows in (air, part, humid))
    return Course(weather.step_s, air, part, humid, burn.T)


def gain_k_w(model: Model) -> Array:
    """Return how far each bay's air moves in an hour for a steady watt into it [K/W], in the model's order.

    The slow mass stays where it is for so long.
    """
    bays = len(model.air_j_k)
    air, part, mass = np.zeros((3, bays, bays))
    heat = Heat(air, part, mass, np.zeros(bays))
    parts = parts_of(model, 60.0)
    dt_s, none = 60.0 / parts, np.zeros(bays)
    outside = Outside(none + model.sky_drop_k, none, none + 3.0)
    for _ in range(60 * parts):
        step_heat(model, heat, outside, none, dt_s)
        heat.mass_c = np.zeros_like(heat.mass_c)
        heat.air_c = heat.air_c + np.eye(bays) * dt_s / model.air_j_k
    return np.diagonal(heat.air_c).copy()


def followed(shed: Shed, past: ClimatePast, first: int, flow_factor: float = 1.0) -> Array:
    """Return the air of each bay from step `first` of a past to its end, stepped with all that was measured.

    `flow_factor` multiplies what is lost to the outside, as a door does. (bays, steps), in the past's order.
    """
    heat = state_at_end(shed.heat, past.until(first))
    model = scaled(shed.heat.model, out_w_k=flow_factor, wind_j_m_k=flow_factor)
    out_c, sun_w_m2, wind_m_s = outside_filled(past)
    burn = np.nan_to_num(past.burn_share)
    parts = parts_of(model, past.step_s)
    found = []
    for step in range(first, len(past)):
        outside = Outside(out_c[step : step + 1], sun_w_m2[step : step + 1], wind_m_s[step : step + 1])
        for _ in range(parts):
            step_heat(model, heat, outside, burn[step : step + 1], past.step_s / parts)
        found.append(heat.air_c[:, 0])
    return np.stack(found, axis=1)[np.argsort(shed.heat.order)]
