"""Heat and water of the shed, one explicit step at a time, with a ledger of all that crosses its skin.

Each bay has three nodes that store heat (air, part, mass) and one that does not (the film, whose temperature
balances at every moment). Water is vapour in the air, dew on the part and dew on the film. Every flow is
booked on both its sides with the same number, so energy and water close to rounding; stored energy is counted
as heat above 0 °C plus the latent heat of the vapour, and liquid water has none.
"""

from dataclasses import dataclass, field
from typing import NamedTuple

from hardware.tent.heater import Fire, HeaterState, burn
from hardware.tent.moist import LATENT_J_KG, saturation_kg_m3
from hardware.tent.parameters import AIR_J_M3_K, FLAME_WATER_KG_KG, HEATING_VALUE_J_KG, Bay, Tent
from hardware.tent.weather import Outdoor

_FULL_DEW_KG_M2 = 0.02
"""Dew that wets a surface all over; with less, only its share of the surface evaporates."""

_RUN_OFF_KG_M2 = 0.06
_FOG_SHARE_S = 1.0 / 60.0


@dataclass(slots=True)
class BayState:
    """One bay now."""

    air_c: float
    part_c: float
    mass_c: float
    film_c: float
    vapour_kg: float
    film_water_kg: float = 0.0
    part_water_kg: float = 0.0


@dataclass(slots=True)
class Ledger:
    """All that crossed the shed's skin since the ledger was opened: inwards positive [J, kg]."""

    burned_kg: float = 0.0
    sun_j: float = 0.0
    film_j: float = 0.0
    leak_j: float = 0.0
    ground_j: float = 0.0
    leak_kg: float = 0.0
    floor_kg: float = 0.0
    run_off_kg: float = 0.0

    def energy_in_j(self) -> float:
        """Return the net energy that came in, the latent heat of vapour with it [J]."""
        flame_j = self.burned_kg * (HEATING_VALUE_J_KG + FLAME_WATER_KG_KG * LATENT_J_KG)
        return flame_j + self.sun_j + self.film_j + self.leak_j + self.ground_j + self.leak_kg * LATENT_J_KG

    def water_in_kg(self) -> float:
        """Return the net water that came in [kg]."""
        return self.burned_kg * FLAME_WATER_KG_KG + self.leak_kg + self.floor_kg + self.run_off_kg


@dataclass(slots=True)
class State:
    """The whole shed now."""

    keel: BayState
    sheer: BayState
    heater: HeaterState
    ledger: Ledger = field(default_factory=Ledger)


class Controls(NamedTuple):
    """What people and the programme do in a step; no `setpoint_c` means no flame can be."""

    setpoint_c: float | None
    door_open: bool
    vent_open: bool


class _Gains(NamedTuple):
    """What a bay's air gets from elsewhere in one step."""

    heat_j: float
    water_kg: float


def settled(tent: Tent, outdoor: Outdoor, gas_kg: float) -> State:
    """Return a shed that has stood open: everything as warm and as damp as outside."""

    def bay(size: Bay) -> BayState:
        c = outdoor.air_c
        return BayState(c, c, c, c, outdoor.vapour_kg_m3 * size.volume_m3)

    return State(bay(tent.keel), bay(tent.sheer), HeaterState(outdoor.air_c, gas_kg))


def stored_energy_j(tent: Tent, state: State) -> float:
    """Return the energy in the shed above 0 °C and dry [J].

    >>> from hardware.tent.weather import steady
    >>> round(stored_energy_j(Tent(), settled(Tent(), steady(0.0, 1e-9)(0.0), 10.0)))
    0
    """
    total_j = state.heater.casing_j
    for size, bay in ((tent.keel, state.keel), (tent.sheer, state.sheer)):
        total_j += size.air_j_k * bay.air_c + size.part_j_k * bay.part_c + size.mass_j_k * bay.mass_c
        total_j += LATENT_J_KG * bay.vapour_kg
    return total_j


def stored_water_kg(state: State) -> float:
    """Return the water in the shed's air and on its surfaces [kg]."""
    return sum(b.vapour_kg + b.film_water_kg + b.part_water_kg for b in (state.keel, state.sheer))


def step(tent: Tent, state: State, outdoor: Outdoor, controls: Controls, dt_s: float) -> None:
    """Advance `state` by `dt_s` seconds of steady weather and controls.

    Raises
    ------
    ValueError
        If a temperature leaves -45 to 60 °C, which no shed that people work in does.
    """
    fire = burn(tent.heater, state.heater, state.keel.air_c, controls.setpoint_c, dt_s)
    state.ledger.burned_kg += fire.gas_kg
    up = _mixed(tent, state, fire, dt_s)
    open_m3_s = tent.leak_m3_s(outdoor.wind_m_s)
    open_m3_s += tent.door_m3_s * controls.door_open + tent.vent_m3_s * controls.vent_open
    share = tent.heater.keel_share
    keel = _Gains(fire.heat_j * share + up.heat_j, fire.water_kg * share + up.water_kg)
    sheer = _Gains(fire.heat_j * (1 - share) - up.heat_j, fire.water_kg * (1 - share) - up.water_kg)
    _step_bay(_Surroundings(tent, tent.keel, outdoor, open_m3_s, dt_s), state.keel, keel, state.ledger)
    _step_bay(_Surroundings(tent, tent.sheer, outdoor, open_m3_s, dt_s), state.sheer, sheer, state.ledger)


def _mixed(tent: Tent, state: State, fire: Fire, dt_s: float) -> _Gains:
    """Return what mixing brings up from sheer to keel; warm air above cold mixes little."""
    warmer_k = state.keel.air_c - state.sheer.air_c
    flow_m3_s = tent.mix_stable_m3_s if warmer_k > 0.0 else tent.mix_unstable_m3_s
    if fire.gas_kg > 0.0:
        flow_m3_s += tent.mix_heater_m3_s
    moved_m3 = flow_m3_s * dt_s
    drier_kg_m3 = state.keel.vapour_kg / tent.keel.volume_m3 - state.sheer.vapour_kg / tent.sheer.volume_m3
    return _Gains(-AIR_J_M3_K * moved_m3 * warmer_k, -moved_m3 * drier_kg_m3)


class _Surroundings(NamedTuple):
    """What a bay's step needs to know besides its own state."""

    tent: Tent
    size: Bay
    outdoor: Outdoor
    open_m3_s: float
    dt_s: float


def _step_bay(around: _Surroundings, bay: BayState, gains: _Gains, ledger: Ledger) -> None:
    tent, size, outdoor, open_m3_s, dt_s = around
    vapour_kg_m3 = bay.vapour_kg / size.volume_m3
    _balance_film(around, bay, vapour_kg_m3)
    film_dew_kg, part_dew_kg, fog_kg, floor_kg = _condensed(around, bay, vapour_kg_m3)
    leak_m3 = open_m3_s * size.leak_share * dt_s
    leak_j = AIR_J_M3_K * leak_m3 * (outdoor.air_c - bay.air_c)
    leak_kg = leak_m3 * (outdoor.vapour_kg_m3 - vapour_kg_m3)
    sun_j_m2 = outdoor.sun_w_m2 * dt_s
    air_film_j = tent.film_inside_w_m2_k * size.film_m2 * (bay.air_c - bay.film_c) * dt_s
    part_film_j = size.part_film_w_k * (bay.part_c - bay.film_c) * dt_s
    air_part_j = size.part_air_w_k * (bay.air_c - bay.part_c) * dt_s
    air_mass_j = size.mass_air_w_k * (bay.air_c - bay.mass_c) * dt_s
    part_mass_j = size.part_mass_w_k * (bay.part_c - bay.mass_c) * dt_s
    ground_j = size.mass_ground_w_k * (outdoor.ground_c - bay.mass_c) * dt_s
    air_j = gains.heat_j + leak_j + size.sun_air_m2 * sun_j_m2 - air_film_j - air_part_j - air_mass_j
    part_j = size.sun_part_m2 * sun_j_m2 + air_part_j - part_film_j - part_mass_j
    mass_j = size.sun_mass_m2 * sun_j_m2 + air_mass_j + part_mass_j + ground_j
    bay.air_c += (air_j + fog_kg * LATENT_J_KG) / size.air_j_k
    bay.part_c += (part_j + part_dew_kg * LATENT_J_KG) / size.part_j_k
    bay.mass_c += (mass_j - floor_kg * LATENT_J_KG) / size.mass_j_k
    bay.vapour_kg += gains.water_kg + leak_kg + floor_kg - film_dew_kg - part_dew_kg - fog_kg
    bay.part_water_kg += part_dew_kg
    bay.film_water_kg += film_dew_kg + fog_kg
    run_off_kg = max(0.0, bay.film_water_kg - _RUN_OFF_KG_M2 * size.film_m2)
    bay.film_water_kg -= run_off_kg
    ledger.sun_j += (size.sun_air_m2 + size.sun_part_m2 + size.sun_mass_m2) * sun_j_m2
    ledger.film_j -= air_film_j + part_film_j + film_dew_kg * LATENT_J_KG
    ledger.leak_j += leak_j
    ledger.ground_j += ground_j
    ledger.leak_kg += leak_kg
    ledger.floor_kg += floor_kg
    ledger.run_off_kg -= run_off_kg


def _vapour_m_s(tent: Tent) -> float:
    """Return the mass transfer coefficient that goes with half the film's inner heat transfer (Lewis)."""
    return 0.5 * tent.film_inside_w_m2_k / AIR_J_M3_K


def _balance_film(around: _Surroundings, bay: BayState, vapour_kg_m3: float) -> None:
    """Move the film's temperature one Newton step towards its balance: it stores next to no heat."""
    tent, size, outdoor = around.tent, around.size, around.outdoor
    inside_w_k = tent.film_inside_w_m2_k * size.film_m2
    outside_w_k = (tent.film_outside_w_m2_k + tent.film_wind_w_s_m3_k * outdoor.wind_m_s) * size.film_m2
    sky_c = outdoor.air_c - tent.sky_drop_k * (1.0 - outdoor.cloud_share)
    sky_c += tent.film_sun_k_m2_w * outdoor.sun_w_m2
    excess_w = inside_w_k * (bay.air_c - bay.film_c) + size.part_film_w_k * (bay.part_c - bay.film_c)
    excess_w -= outside_w_k * (bay.film_c - sky_c)
    slope_w_k = inside_w_k + outside_w_k + size.part_film_w_k
    saturated_kg_m3 = saturation_kg_m3(bay.film_c)
    wet_share = _wet_share(bay.film_water_kg, size.film_m2, vapour_kg_m3 - saturated_kg_m3)
    latent_w_m3_kg = LATENT_J_KG * _vapour_m_s(tent) * size.film_m2 * wet_share
    excess_w += latent_w_m3_kg * (vapour_kg_m3 - saturated_kg_m3)
    # near 10 °C saturation grows by 6.3 % a kelvin; a Newton step needs no better
    slope_w_k += latent_w_m3_kg * 0.063 * saturated_kg_m3
    bay.film_c += excess_w / slope_w_k


def _wet_share(water_kg: float, area_m2: float, excess_kg_m3: float) -> float:
    """Return the share of a surface that takes part: all of it when dew forms, the wet part when it dries."""
    if excess_kg_m3 > 0.0:
        return 1.0
    return min(1.0, water_kg / (_FULL_DEW_KG_M2 * area_m2))


def _condensed(
    around: _Surroundings, bay: BayState, vapour_kg_m3: float
) -> tuple[float, float, float, float]:
    """Return the water that turns to dew on film and on part and to fog, and that the floor gives [kg].

    The wet share shrinks with the water, so a step never dries more than there is.
    """
    tent, size, _, _, dt_s = around
    reach_m = _vapour_m_s(tent) * dt_s
    film_excess_kg_m3 = vapour_kg_m3 - saturation_kg_m3(bay.film_c)
    part_excess_kg_m3 = vapour_kg_m3 - saturation_kg_m3(bay.part_c)
    film_share = _wet_share(bay.film_water_kg, size.film_m2, film_excess_kg_m3)
    part_share = _wet_share(bay.part_water_kg, size.part_m2, part_excess_kg_m3)
    film_kg = reach_m * size.film_m2 * film_share * film_excess_kg_m3
    part_kg = reach_m * size.part_m2 * part_share * part_excess_kg_m3
    fog_kg_m3 = max(0.0, vapour_kg_m3 - saturation_kg_m3(bay.air_c))
    fog_kg = fog_kg_m3 * size.volume_m3 * min(1.0, dt_s * _FOG_SHARE_S)
    floor_kg = reach_m * size.wet_m2 * (saturation_kg_m3(bay.mass_c) - vapour_kg_m3)
    return film_kg, part_kg, fog_kg, floor_kg
