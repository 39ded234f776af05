"""The heater: a thermostat that lags, a burner that lights late, a casing that stays hot."""

from dataclasses import dataclass

from hardware.tent.parameters import FLAME_WATER_KG_KG, HEATING_VALUE_J_KG, Heater


@dataclass(slots=True)
class HeaterState:
    """What the heater remembers between steps."""

    sensed_c: float
    gas_kg: float
    casing_j: float = 0.0
    calling: bool = False
    called_for_s: float = 0.0
    lit: bool = False


@dataclass(slots=True)
class Fire:
    """What one step of burning gave: heat into the tent's air, water, gas burned."""

    heat_j: float
    water_kg: float
    gas_kg: float


def burn(heater: Heater, state: HeaterState, keel_c: float, setpoint_c: float | None, dt_s: float) -> Fire:
    """Advance the heater by a step; no `setpoint_c` means that it is off or out.

    Gas, heat and water balance exactly: what burned is in the casing or was given to the air.
    """
    state.sensed_c += (keel_c - state.sensed_c) * dt_s / (heater.sensor_lag_s + dt_s)
    _call(heater, state, setpoint_c)
    state.called_for_s = state.called_for_s + dt_s if state.calling else 0.0
    wanted_kg = heater.power_w * dt_s / HEATING_VALUE_J_KG if state.called_for_s > heater.ignition_s else 0.0
    gas_kg = min(wanted_kg, state.gas_kg)
    state.gas_kg -= gas_kg
    state.lit = gas_kg > 0.0
    state.casing_j += gas_kg * HEATING_VALUE_J_KG
    heat_j = state.casing_j * dt_s / (heater.casing_lag_s + dt_s)
    state.casing_j -= heat_j
    return Fire(heat_j, gas_kg * FLAME_WATER_KG_KG, gas_kg)


def _call(heater: Heater, state: HeaterState, setpoint_c: float | None) -> None:
    if setpoint_c is None:
        state.calling = False
    elif state.sensed_c < setpoint_c - heater.hysteresis_k / 2:
        state.calling = True
    elif state.sensed_c > setpoint_c + heater.hysteresis_k / 2:
        state.calling = False
