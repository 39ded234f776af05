"""Pasts of sheds whose constants are known: a circuit solved exactly, and the simulated tent."""

from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
from scipy.linalg import expm

from collector.clock import to_us
from forecast.climate_past import Array, ClimatePast, Series, past_on_grid
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Scenario
from hardware.tent.simulation import History, simulate

BAYS = ("keel", "sheer")
START = datetime(2026, 3, 20, tzinfo=UTC)

# One bay: W/K and J/K of a small heated tent, all invented; the sums are exact whatever they are.
CIRCUIT = {
    "air_j_k": 500e3, "part_j_k": 220e3, "mass_j_k": 3.0e6, "part_air_w_k": 60.0, "part_out_w_k": 8.0,
    "part_mass_w_k": 10.0, "mass_air_w_k": 90.0, "mass_ground_w_k": 12.0, "out_w_k": 210.0, "sun_air_m2": 0.9,
    "power_w": 9000.0, "casing_lag_s": 150.0, "ground_c": 9.0,
}  # fmt: skip


def series_of(history: History) -> Series:
    """Return what the tent's sensors reported, silent ones left out."""
    times_us = history.time_s * 1_000_000
    return {
        name: (times_us[np.isfinite(values)], values[np.isfinite(values)])
        for name, values in history.reported.items()
    }


def past_of(history: History, step_s: int = 60) -> ClimatePast:
    """Return a whole simulated history on the grid."""
    first_us, last_us = int(history.time_s[0]) * 1_000_000, int(history.time_s[-1]) * 1_000_000
    return past_on_grid(series_of(history), BAYS, first_us, last_us, step_s)


@cache
def tent_history(seed: int, days: float = 7.0, scenario: Scenario | None = None) -> History:
    """Return minutes of the simulated tent from a March day on."""
    return simulate(Tent(), START, START + timedelta(days=days), step_s=60, seed=seed, scenario=scenario)


@cache
def _circuit_minute() -> Array:
    """Return what a steady minute makes of (air, part, mass, casing; outdoors, sun, ground, calling)."""
    c = CIRCUIT
    to_out = c["out_w_k"]
    a, p, m = c["air_j_k"], c["part_j_k"], c["mass_j_k"]
    rates = np.array([
        [-(c["part_air_w_k"] + c["mass_air_w_k"] + to_out) / a, c["part_air_w_k"] / a, c["mass_air_w_k"] / a,
         1 / c["casing_lag_s"] / a],
        [c["part_air_w_k"] / p, -(c["part_air_w_k"] + c["part_out_w_k"] + c["part_mass_w_k"]) / p,
         c["part_mass_w_k"] / p, 0.0],
        [c["mass_air_w_k"] / m, c["part_mass_w_k"] / m,
         -(c["mass_air_w_k"] + c["part_mass_w_k"] + c["mass_ground_w_k"]) / m, 0.0],
        [0.0, 0.0, 0.0, -1 / c["casing_lag_s"]],
    ])  # fmt: skip
    into = np.array([
        [to_out / a, c["sun_air_m2"] / a, 0.0, 0.0],
        [c["part_out_w_k"] / p, 0.0, 0.0, 0.0],
        [0.0, 0.0, c["mass_ground_w_k"] / m, 0.0],
        [0.0, 0.0, 0.0, c["power_w"]],
    ])  # fmt: skip
    return np.asarray(expm(np.block([[rates, into], [np.zeros((4, 8))]]) * 60.0))


def circuit_past(days: int = 6, seed: int = 1, out_from: int | None = None) -> ClimatePast:
    """Return minutes of one bay solved exactly: matrix exponentials of steady minutes, nothing else.

    Its heater gives nothing from minute `out_from` on.
    """
    whole = _circuit_minute()
    count = days * 1440
    random = np.random.default_rng(seed)
    hours = np.arange(count) / 60.0
    knots_h = np.arange(0.0, hours[-1] + 7.0, 6.0)
    out_c = 6.0 - 4.0 * np.cos(2 * np.pi * (hours - 4.0) / 24.0)
    out_c += np.interp(hours, knots_h, random.normal(0.0, 1.5, len(knots_h)))
    clear = random.uniform(0.3, 1.0, days)[(hours // 24).astype(int)]
    sun = clear * np.maximum(0.0, 400.0 * np.sin(2 * np.pi * (hours % 24 - 6.0) / 24.0))
    state, calling = np.array([14.0, 13.0, 12.5, 0.0]), False
    rows, burn = [], []
    for minute in range(count):
        setpoint_c = 18.0 if 7 <= hours[minute] % 24 < 17 else 13.0
        calling = state[0] < setpoint_c - 0.5 or (calling and state[0] < setpoint_c + 0.5)
        calling = calling and (out_from is None or minute < out_from)
        state = (
            whole @ np.concatenate([state, [out_c[minute], sun[minute], CIRCUIT["ground_c"], float(calling)]])
        )[:4]
        rows.append(state[:2])
        burn.append(float(calling))
    air_c, part_c = np.array(rows).T
    nothing: Array = np.full(count, np.nan)
    times_us = to_us(START) + 60_000_000 * np.arange(1, count + 1, dtype=np.int64)
    return ClimatePast(
        60, times_us, ("keel",), air_c[None], part_c[None], nothing[None],
        out_c, nothing, sun, np.zeros(count), np.array(burn), nothing, nothing,
    )  # fmt: skip
