"""Water in the grey box: vapour of every bay, leaks, wet floors, dew on the skin, and what the flame makes.

It rides on the heat: temperatures and mixing are the heat's, and what it adds is bounded and booked like it.
Vapour is per volume [g/m³] (`forecast.moisture.absolute_humidity_g_m3`).
"""

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np

from forecast._bounded import Prior, bounded_fit
from forecast.climate import Array, Model
from forecast.climate_fit import ClimateFit, bridged, outside_filled, whole
from forecast.climate_past import ClimatePast
from forecast.moisture import absolute_humidity_g_m3

FLAME_WATER_G_J = 1634.0 / 46.35e6
"""Water from an unvented propane flame: 1.634 kg per kg burned, at 46.35 MJ/kg (lower value, from memory)."""
_AIR_J_M3_K = 1206.0  # 1.2 kg/m³ times 1005 J/(kg K), from memory
_AHEAD_H = (0.25, 0.5, 1.0, 2.0, 3.0)
_EVERY_H = 2.0
_MISS_SHARE = 0.05
_PARTS_S = 60.0
_SAFE_SHARE = 0.5
_MOST_SOAKS = 300
_DEW_H = 12.0
# Dew on a film runs off at some tens of grams; vapour gets to it as heat by half of 7 W/(m² K) does (Lewis):
# common practice, no source.
_MOST_DEW_G_M2, _SKIN_M_S = 60.0, 3.5 / _AIR_J_M3_K
_COLDEST_C, _HOTTEST_C = -60.0, 90.0
_PCT = 100.0


@dataclass(frozen=True, slots=True)
class WaterModel:
    """A shed's constants of water, per bay (bays, 1) or (bays, variants, 1); none is negative.

    `volume_m3` of air, leaks in still air and per wind, the wet floor's and the skin's exchange as the flow
    of air that would carry as much, and how far the skin's inside is from the outside towards the air.
    """

    volume_m3: Array
    leak_m3_s: Array
    leak_wind_m2: Array
    floor_m3_s: Array
    skin_m3_s: Array
    skin_share: Array


_PRIORS = {
    "volume_m3": Prior(45.0, 0.5, 2.0, 5e3),
    "leak_m3_s": Prior(0.006, 1.0, 1e-5, 2.0),
    "leak_wind_m2": Prior(0.001, 1.0, 1e-6, 1.0),
    "floor_m3_s": Prior(0.006, 1.2, 1e-6, 5.0),
    "skin_m3_s": Prior(0.1, 1.0, 1e-4, 20.0),
    "skin_share": Prior(0.5, 0.3, 0.05, 0.98),
}


def leak_air_m3_s(water_model: WaterModel, wind_m_s: float) -> Array:
    """Return the air that leaks through each bay's skin in a wind [m³/s]."""
    found: Array = water_model.leak_m3_s + water_model.leak_wind_m2 * wind_m_s
    return found


class Warmth(NamedTuple):
    """What the heat gives to the water in one step; rows are bays in the model's order."""

    air_c: Array
    mass_c: Array
    out_c: Array
    wind_m_s: Array
    flame_g_s: Array
    mix_m3_s: Array


@dataclass(slots=True)
class Water:
    """Vapour [g/m³] and dew on the skin [g] of each bay, and what came in from outside [g]."""

    vapour_g_m3: Array
    skin_g: Array
    came_in_g: Array


def saturated_g_m3(temp_c: Array) -> Array:
    """Return the vapour of saturated air [g/m³], -60 to 90 °C (clipped: a step may try odd constants)."""
    temp_c = np.clip(temp_c, _COLDEST_C, _HOTTEST_C)
    found: Array = absolute_humidity_g_m3(temp_c, _PCT)
    return found


def held_pct(air_c: Array, vapour_g_m3: Array) -> Array:
    """Return the relative humidity [%] of air with so much vapour, at most 100: the rest is fog."""
    found: Array = np.clip(_PCT * vapour_g_m3 / saturated_g_m3(air_c), 0.0, _PCT)
    return found


def step_water(
    water_model: WaterModel, water: Water, warmth: Warmth, outside_g_m3: Array, step_s: float, parts: int = 1
) -> None:
    """Advance `water` in place by one step, in so many parts (see `soaks_of`).

    What leaves one store enters another with the same number.
    """
    dt_s = step_s / parts
    leak_m3 = (water_model.leak_m3_s + water_model.leak_wind_m2 * warmth.wind_m_s) * dt_s
    skin_c = warmth.out_c + water_model.skin_share * (warmth.air_c - warmth.out_c)
    at_skin, at_floor = saturated_g_m3(skin_c), saturated_g_m3(warmth.mass_c)
    floor_m3, skin_m3, mixed_m3 = (
        flow * dt_s for flow in (water_model.floor_m3_s, water_model.skin_m3_s, warmth.mix_m3_s)
    )
    for _ in range(parts):
        vapour = water.vapour_g_m3
        leak_g = leak_m3 * (outside_g_m3 - vapour)
        floor_g = floor_m3 * np.maximum(at_floor - vapour, 0.0)
        dew_g = np.maximum(skin_m3 * (vapour - at_skin), -water.skin_g)  # a skin dries no further than dry
        came_g = warmth.flame_g_s * dt_s + leak_g + floor_g
        gain_g = came_g - dew_g
        if len(vapour) > 1:
            down_g = mixed_m3 * (vapour[:-1] - vapour[1:])
            gain_g[:-1] -= down_g
            gain_g[1:] += down_g
        water.vapour_g_m3 = vapour + gain_g / water_model.volume_m3
        water.skin_g = water.skin_g + dew_g
        water.came_in_g = water.came_in_g + came_g.sum(axis=0)


def mixing_m3_s(model: Model, air_c: Array, burn_share: Array) -> Array:
    """Return the air exchanged between each bay and the next [m³/s], as the heat has it."""
    k = np.where(air_c[:-1] > air_c[1:], model.mix_stable_w_k, model.mix_unstable_w_k)
    found: Array = (k + model.mix_burning_w_k * burn_share) / _AIR_J_M3_K
    return found


def skin_at_end(water_model: WaterModel, past: ClimatePast, order: tuple[int, ...]) -> Array:
    """Return the dew on each bay's skin at the end of a past [g], (bays, 1), bays in `order`.

    Driven along by the air and the humidity measured in the last half day; what is too much runs off.
    """
    rows = list(order)
    late = past.until(len(past), round(_DEW_H * 3600 / past.step_s))
    out_c, _, _ = outside_filled(late)
    air_c = bridged(late.air_c[rows])
    held = saturated_g_m3(air_c) * np.clip(bridged(late.humidity_pct[rows], 70.0), 0.1, _PCT) / _PCT
    excess = held - saturated_g_m3(out_c + water_model.skin_share * (air_c - out_c))
    most_g = _MOST_DEW_G_M2 * water_model.skin_m3_s[:, 0] / _SKIN_M_S
    skin_g = np.zeros(len(rows))
    for dew_g in (water_model.skin_m3_s * excess * late.step_s).T:
        skin_g = np.clip(skin_g + dew_g, 0.0, most_g)
    return skin_g[:, None]


def soaks_of(water_model: WaterModel, heat_model: Model, dt_s: float, wind_m_s: float = 15.0) -> int:
    """Return into how many parts a step is cut, so that no bay changes more than half its air in one."""
    neighbours = min(len(water_model.volume_m3) - 1, 2)
    mixed_m3_s = float(np.max(heat_model.mix_unstable_w_k + heat_model.mix_burning_w_k)) / _AIR_J_M3_K
    flow_m3_s = leak_air_m3_s(water_model, wind_m_s) + water_model.floor_m3_s + water_model.skin_m3_s
    changes = float(np.max((flow_m3_s + mixed_m3_s * neighbours) / water_model.volume_m3))
    return int(min(max(1, np.ceil(dt_s * changes / _SAFE_SHARE)), _MOST_SOAKS))


@dataclass(frozen=True, slots=True)
class WaterFit:
    """A fitted shed's water, bays in the heat's order; `known` is false where humidity was never measured."""

    model: WaterModel
    known: bool


def fit_water(past: ClimatePast, heat: ClimateFit, *, unvented: bool) -> WaterFit:
    """Fit the water to a past whose heat is fitted.

    Parameters
    ----------
    past : ClimatePast
    heat : ClimateFit
        Of the same bays.
    unvented : bool
        Whether the flame's own water stays in the shed.
    """
    task = _Task(past, heat, unvented)
    bays = len(heat.order)
    names = [(name, prior) for name, prior in _PRIORS.items() for _ in range(bays)]
    size = float(heat.model.power_w[0]) / 9000.0 * 2.0 / bays
    usual = np.log([prior.usual * (1.0 if name == "skin_share" else size) for name, prior in names])
    spread = np.array([prior.spread for _, prior in names])
    scaled = [1.0 if name == "skin_share" else size for name, _ in names]
    low = (np.log([prior.low * by for (_, prior), by in zip(names, scaled, strict=True)]) - usual) / spread
    high = (np.log([prior.high * by for (_, prior), by in zip(names, scaled, strict=True)]) - usual) / spread

    def model(points: Array) -> WaterModel:
        values = np.exp(points * spread + usual).T[:, :, None]
        return WaterModel(*(values[place * bays : (place + 1) * bays] for place in range(len(_PRIORS))))

    point = np.zeros(len(names))
    known = bool(len(task.starts) and np.isfinite(past.humidity_pct).any())
    if known:
        point = bounded_fit(lambda points: task.misses(model(points)), point, low, high, rounds=15)
    found = model(point[None, :])
    return WaterFit(WaterModel(*(getattr(found, f.name)[:, :, 0] for f in fields(WaterModel))), known)


class _Task:
    """Stretches of a past with their warmth, stepped for many variants of the water's constants."""

    def __init__(self, past: ClimatePast, heat: ClimateFit, unvented: bool) -> None:  # noqa: FBT001
        rows = list(heat.order)
        stride = max(1, round(_PARTS_S / past.step_s))
        self._dt_s = stride * past.step_s
        out_c, _, wind = outside_filled(past)
        self._air, self._out, self._wind = (
            bridged(past.air_c[rows])[:, ::stride],
            out_c[::stride],
            wind[::stride],
        )
        burn = np.nan_to_num(past.burn_share)[::stride]
        flame = burn * float(heat.model.power_w[0]) * FLAME_WATER_G_J * unvented
        self._flame = heat.model.heater_share * flame
        self._mix = mixing_m3_s(heat.model, self._air, burn)
        # the floor is near the slow mass, which is near the day's mean air
        day = max(1, round(43_200 / self._dt_s))
        self._mass = np.stack([_running(row, day) for row in self._air])
        humid = past.humidity_pct[rows][:, ::stride]
        self._heard = np.isfinite(humid)
        self._vapour = absolute_humidity_g_m3(
            np.clip(self._air, -60.0, 90.0), np.clip(bridged(humid, 70.0), 0.1, 100.0)
        )
        outside_pct = outside_pct_filled(past)[::stride]
        self.outside_g_m3 = absolute_humidity_g_m3(np.clip(self._out, -60.0, 90.0), outside_pct)
        self._marks = np.array([round(hours * 3600 / self._dt_s) for hours in _AHEAD_H])
        every = max(1, round(_EVERY_H * 3600 / self._dt_s))
        starts = np.arange(every, len(self._out) - self._marks[-1], every)
        self.starts = starts[self._heard[:, starts].any(axis=0)] if len(starts) else starts

    def misses(self, model: WaterModel) -> Array:
        """Return (variants, n) of ln vapour forecast less measured, in shares of what is usual."""
        shape = (len(self._air), model.volume_m3.shape[1], len(self.starts))
        water = Water(
            np.array(np.broadcast_to(self._vapour[:, None, self.starts], shape)),
            np.zeros(shape),
            np.zeros(shape[1:]),
        )
        found = []
        for step in range(1, int(self._marks[-1]) + 1):
            at = self.starts + step
            warmth = Warmth(
                self._air[:, None, at], self._mass[:, None, at], self._out[at], self._wind[at],
                self._flame[:, None, at], self._mix[:, None, at],
            )  # fmt: skip
            step_water(model, water, warmth, self.outside_g_m3[at], self._dt_s)
            if step in self._marks:
                ratio = np.log(np.clip(water.vapour_g_m3, 1e-3, 1e3) / self._vapour[:, None, at])
                found.append(np.where(self._heard[:, None, at], ratio / _MISS_SHARE, 0.0))
        stacked = np.stack(found) / np.sqrt(len(self._marks))
        result: Array = np.moveaxis(stacked, 2, 0).reshape(shape[1], -1)
        return result


def _running(values: Array, count: int) -> Array:
    sums = np.concatenate([[0.0], np.cumsum(values)])
    first = np.maximum(np.arange(1, len(values) + 1) - count, 0)
    found: Array = (sums[1:] - sums[first]) / (np.arange(1, len(values) + 1) - first)
    return found


def outside_pct_filled(past: ClimatePast) -> Array:
    """Return outdoor humidity [%] without holes; never measured, the usual 80 % of a temperate climate."""
    return np.clip(whole(past.out_humidity_pct, 80.0), 0.1, _PCT)
