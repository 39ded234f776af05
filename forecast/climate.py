"""The shed as a grey box: heat and water of every bay, bays coupled, a heater with lag, sun, wind, leaks.

Each bay has three nodes that store heat (air, part, slow mass) and one store of water (its vapour). Every
flow is booked on both its sides with one number, so heat and water close to rounding (`Ledger`). Bays are in
a chain, the warmest first: they exchange little air while the warmer lies above, and much when it does not.
All arrays may carry a further axis of paths, so that a night is stepped once for two hundred paths.

The shape is the usual lumped one (Bacher and Madsen 2011, doi 10.1016/j.enbuild.2011.02.005); burning 1 kg
of propane makes 1.634 kg of water (C3H8 + 5 O2 -> 3 CO2 + 4 H2O, 72.06 / 44.10), which stays in the shed
if the flame is unvented.
"""

from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

RUN_STEP_S = 20.0
"""A minute of a strong burner warms a tent's air by more than a degree: switching wants finer steps."""
_SAFE_SHARE = 0.5
_MOST_PARTS = 300


@dataclass(frozen=True, slots=True)
class Model:
    """A shed's constants. Arrays have one row per bay, (bays, 1) or (bays, variants, 1); none is negative.

    Of each bay: what its nodes store (`air_j_k`, `part_j_k`, `mass_j_k`), what passes between them and to
    the outside (`…_w_k`; `wind_j_m_k` is what a wind of 1 m/s adds), the sunshine on a level surface that
    ends in each (`sun_…_m2`), and the heater's share. Of the whole shed: the heater's full power, how long
    its casing keeps giving, air exchanged between neighbours while the warmer lies above (`mix_stable_w_k`),
    when it does not (`mix_unstable_w_k`), and with the burner on (`mix_burning_w_k`); how much colder than
    the air the sky makes the skin, and the ground.
    """

    air_j_k: Array
    part_j_k: Array
    mass_j_k: Array
    part_air_w_k: Array
    part_out_w_k: Array
    part_mass_w_k: Array
    mass_air_w_k: Array
    mass_ground_w_k: Array
    out_w_k: Array
    wind_j_m_k: Array
    sun_air_m2: Array
    sun_part_m2: Array
    sun_mass_m2: Array
    heater_share: Array
    power_w: Array
    casing_lag_s: Array
    mix_stable_w_k: Array
    mix_unstable_w_k: Array
    mix_burning_w_k: Array
    sky_drop_k: Array
    ground_c: Array

    def fastest_s(self, wind_m_s: float = 15.0) -> float:
        """Return the shortest time constant of any node [s]; steps must stay well below it."""
        neighbours = min(len(self.air_j_k) - 1, 2)
        mixing = float(np.max(self.mix_unstable_w_k + self.mix_burning_w_k)) * neighbours
        air = self.out_w_k + self.wind_j_m_k * wind_m_s + self.part_air_w_k + self.mass_air_w_k + mixing
        part = self.part_air_w_k + self.part_out_w_k + self.part_mass_w_k
        mass = self.mass_air_w_k + self.part_mass_w_k + self.mass_ground_w_k
        pairs = ((self.air_j_k, air), (self.part_j_k, part), (self.mass_j_k, mass))
        fastest = min(float(np.min(store / np.maximum(loss, 1e-12))) for store, loss in pairs)
        return min(fastest, float(np.min(self.casing_lag_s)))


class Outside(NamedTuple):
    """What the shed stands in during one step; arrays that broadcast against a bay's row."""

    air_c: Array
    sun_w_m2: Array
    wind_m_s: Array


@dataclass(slots=True)
class Heat:
    """Temperatures of each bay's nodes, (bays, …), and what the heater's casing holds [J]."""

    air_c: Array
    part_c: Array
    mass_c: Array
    casing_j: Array

    def copy(self) -> "Heat":
        """Return a copy that can be stepped on its own."""
        return Heat(self.air_c.copy(), self.part_c.copy(), self.mass_c.copy(), self.casing_j.copy())


@dataclass(slots=True)
class Ledger:
    """What crossed the shed's skin, inwards positive [J]."""

    burned_j: Array | float = 0.0
    sun_j: Array | float = 0.0
    out_j: Array | float = 0.0
    ground_j: Array | float = 0.0

    def total_j(self) -> Array | float:
        """Return the net heat that came in [J]."""
        return self.burned_j + self.sun_j + self.out_j + self.ground_j


def step_heat(
    model: Model, heat: Heat, outside: Outside, burn_share: Array, dt_s: float, ledger: Ledger | None = None
) -> None:
    """Advance `heat` in place by one step of steady weather and burning.

    Parameters
    ----------
    model : Model
    heat : Heat
    outside : Outside
        Of the step.
    burn_share : array
        Share of the step and of full power at which the heater burns, 0 to 1.
    dt_s : float
        Length of the step [s]; must stay below half of ``model.fastest_s()`` (see `parts_of`).
    ledger : Ledger, optional
        Books what crosses the skin.
    """
    air, part, mass = heat.air_c, heat.part_c, heat.mass_c
    made_j = burn_share * (model.power_w * dt_s)
    heat.casing_j = heat.casing_j + made_j
    given_j = heat.casing_j * (dt_s / (model.casing_lag_s + dt_s))
    heat.casing_j = heat.casing_j - given_j
    skin_c = outside.air_c - model.sky_drop_k
    out_w = (model.out_w_k + model.wind_j_m_k * outside.wind_m_s) * (skin_c - air)
    part_out_w = model.part_out_w_k * (skin_c - part)
    air_part_w = model.part_air_w_k * (air - part)
    air_mass_w = model.mass_air_w_k * (air - mass)
    part_mass_w = model.part_mass_w_k * (part - mass)
    ground_w = model.mass_ground_w_k * (model.ground_c - mass)
    sun = outside.sun_w_m2
    air_w = out_w + model.sun_air_m2 * sun - air_part_w - air_mass_w
    if len(air) > 1:
        down_w = _mixing_w_k(model, air, burn_share) * (air[:-1] - air[1:])
        air_w[:-1] -= down_w
        air_w[1:] += down_w
    part_w = air_part_w + part_out_w + model.sun_part_m2 * sun - part_mass_w
    mass_w = air_mass_w + part_mass_w + ground_w + model.sun_mass_m2 * sun
    heat.air_c = air + (air_w * dt_s + model.heater_share * given_j) / model.air_j_k
    heat.part_c = part + part_w * (dt_s / model.part_j_k)
    heat.mass_c = mass + mass_w * (dt_s / model.mass_j_k)
    if ledger is not None:
        sun_m2 = model.sun_air_m2 + model.sun_part_m2 + model.sun_mass_m2
        ledger.burned_j = ledger.burned_j + made_j
        ledger.sun_j = ledger.sun_j + (sun_m2 * sun).sum(axis=0) * dt_s
        ledger.out_j = ledger.out_j + (out_w + part_out_w).sum(axis=0) * dt_s
        ledger.ground_j = ledger.ground_j + ground_w.sum(axis=0) * dt_s


def _mixing_w_k(model: Model, air_c: Array, burn_share: Array) -> Array:
    """Return the exchange between each bay and the next; the upper one is the first of a pair."""
    stable = air_c[:-1] > air_c[1:]
    found: Array = np.where(stable, model.mix_stable_w_k, model.mix_unstable_w_k)
    return found + model.mix_burning_w_k * burn_share


def parts_of(model: Model, dt_s: float, longest_s: float = RUN_STEP_S) -> int:
    """Return into how many parts a step is cut: none longer than that, all short beside the fastest node."""
    most_s = min(longest_s, _SAFE_SHARE * model.fastest_s())
    return int(min(max(1, np.ceil(dt_s / most_s)), _MOST_PARTS))


def scaled(model: Model, **factors: Array | float) -> Model:
    """Return the model with some constants multiplied: ``scaled(model, out_w_k=1.5)`` is a door ajar.

    An array has a factor for each path.
    """
    known = {field.name for field in fields(model)}
    if not factors.keys() <= known:
        raise ValueError(f"no such constants: {', '.join(sorted(factors.keys() - known))}")
    return replace(model, **{name: getattr(model, name) * factor for name, factor in factors.items()})
