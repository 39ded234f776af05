"""What the sensors would say of the truth: lag, bias, noise, steps, and faults on command."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from hardware.tent import moist
from hardware.tent.habits import dropout_spans_s, inside
from hardware.tent.parameters import Bay, Tent
from hardware.tent.physics import BayState, State
from hardware.tent.scenario import Kind, Scenario
from hardware.tent.weather import DAY_S, Outdoor

NODES: Mapping[str, tuple[str, ...]] = {
    "keel": ("air_c", "humidity_pct", "part_c"),
    "sheer": ("air_c", "humidity_pct", "part_c"),
    "outdoor": ("air_c", "humidity_pct", "sun_w_m2", "wind_m_s"),
    "heater": ("on", "setpoint_c", "gas_kg"),
}
"""The nodes and what each measures."""

CHANNELS: tuple[str, ...] = tuple(f"{node}.{quantity}" for node, has in NODES.items() for quantity in has)
"""Every series by its column name, as in ``keel.air_c``."""

_GRAIN_S = 10
_NOISE, _BIAS = 201, 202


@dataclass(frozen=True, slots=True)
class _Accuracy:
    """How a kind of sensor errs: spread of its bias over specimens, noise, smallest step, its range."""

    bias: float
    noise: float
    grain: float
    low: float
    high: float


_ACCURACY: Mapping[str, _Accuracy] = {
    "air_c": _Accuracy(0.1, 0.02, 0.01, -40.0, 125.0),
    "humidity_pct": _Accuracy(0.8, 0.06, 0.01, 0.0, 100.0),
    "part_c": _Accuracy(0.15, 0.03, 0.0625, -55.0, 125.0),
    "sun_w_m2": _Accuracy(0.0, 1.5, 1.0, 0.0, 1500.0),
    "wind_m_s": _Accuracy(0.0, 0.15, 0.1, 0.0, 75.0),
    "on": _Accuracy(0.0, 0.0, 1.0, 0.0, 1.0),
    "setpoint_c": _Accuracy(0.0, 0.0, 0.5, 0.0, 40.0),
    "gas_kg": _Accuracy(0.0, 0.015, 0.01, 0.0, 200.0),
}
"""By quantity, in its own unit. Humidity saturates at 100 as the chips do; part probes count in 1/16 °C."""

_LAG_S = {"air_c": 45.0, "humidity_pct": 20.0, "part_c": 25.0}


def bays_truth(tent: Tent, state: State) -> dict[str, float]:
    """Return the true value of every channel inside the shed's bays."""
    return {
        "keel.air_c": state.keel.air_c,
        "keel.humidity_pct": _humidity_pct(tent.keel, state.keel),
        "keel.part_c": state.keel.part_c,
        "sheer.air_c": state.sheer.air_c,
        "sheer.humidity_pct": _humidity_pct(tent.sheer, state.sheer),
        "sheer.part_c": state.sheer.part_c,
    }


def truth(tent: Tent, state: State, outdoor: Outdoor, setpoint_c: float) -> dict[str, float]:
    """Return the true value of every channel, in the order of `CHANNELS`."""
    return bays_truth(tent, state) | {
        "outdoor.air_c": outdoor.air_c,
        "outdoor.humidity_pct": outdoor.humidity_pct,
        "outdoor.sun_w_m2": outdoor.sun_w_m2,
        "outdoor.wind_m_s": outdoor.wind_m_s,
        "heater.on": float(state.heater.lit),
        "heater.setpoint_c": setpoint_c,
        "heater.gas_kg": state.heater.gas_kg,
    }


def _humidity_pct(size: Bay, bay: BayState) -> float:
    """Return a bay's humidity; the little that is on its way to fog is not humidity."""
    return min(100.0, moist.humidity_pct(bay.air_c, bay.vapour_kg / size.volume_m3))


class Sensors:
    """The sensors of all nodes: `follow` the truth step by step, `report` what they say.

    Noise depends on seed, channel and time alone (in steps of ten seconds), so it does not matter how often
    one asks.
    """

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self._scenario = scenario
        self._seed = seed
        spread = np.array([_ACCURACY[_quantity(channel)].bias for channel in CHANNELS])
        drawn = np.random.default_rng([seed, _BIAS]).standard_normal(len(CHANNELS))
        self._bias = dict(zip(CHANNELS, (spread * drawn).tolist(), strict=True))
        self._felt: dict[str, float] = {}
        self._held: dict[str, float] = {}

    def follow(self, bays: Mapping[str, float], dt_s: float) -> None:
        """Let the bays' slow sensors creep towards the truth."""
        felt = self._felt
        if not felt:
            felt.update(bays)
        for channel, share in _creep(dt_s):
            felt[channel] += (bays[channel] - felt[channel]) * share

    def report(self, t_s: float, now: Mapping[str, float]) -> dict[str, float | None]:
        """Return what every channel says at `t_s`; None where a sensor or its node is silent."""
        day, into_s = divmod(int(t_s), DAY_S)
        noise = _noise(self._seed, day)[into_s // _GRAIN_S]
        said: dict[str, float | None] = {}
        for index, channel in enumerate(CHANNELS):
            kind = _ACCURACY[_quantity(channel)]
            raw = (
                self._felt.get(channel, now[channel]) + self._bias[channel] + kind.noise * float(noise[index])
            )
            stepped = round(raw / kind.grain) * kind.grain
            value = min(max(stepped, kind.low), kind.high)
            said[channel] = self._faulty(channel, value, t_s)
        return said

    def silent(self, node: str, t_s: float) -> bool:
        """Tell whether a whole node measures nothing at `t_s`."""
        if self._scenario.active(Kind.DROPOUT, t_s, node):
            return True
        number, day = list(NODES).index(node), int(t_s // DAY_S)
        rate = self._scenario.dropouts_per_day
        return any(inside(dropout_spans_s(rate, self._seed, number, d), t_s) for d in (day - 1, day))

    def _faulty(self, channel: str, value: float, t_s: float) -> float | None:
        node, quantity = channel.split(".")
        if self.silent(node, t_s) or self._scenario.active(Kind.DROPOUT, t_s, channel):
            return None
        if self._scenario.active(Kind.STUCK, t_s, channel):
            return self._held.setdefault(channel, value)
        self._held[channel] = value
        if quantity == "humidity_pct" and self._scenario.active(Kind.WET, t_s, node):
            return 100.0
        return value


def decimals(channel: str) -> int:
    """Return how many decimals a series is written with: two at most, none for what is counted in ones.

    >>> decimals("keel.part_c"), decimals("heater.on"), decimals("heater.power_w")
    (2, 0, 2)
    """
    return 0 if channel in CHANNELS and _ACCURACY[_quantity(channel)].grain >= 1.0 else 2


@lru_cache(maxsize=4)
def _creep(dt_s: float) -> tuple[tuple[str, float], ...]:
    """Return how far each slow sensor goes in a step towards what it measures."""
    return tuple(
        (f"{bay}.{q}", dt_s / (lag_s + dt_s)) for bay in ("keel", "sheer") for q, lag_s in _LAG_S.items()
    )


def _quantity(channel: str) -> str:
    return channel.partition(".")[2]


@lru_cache(maxsize=4)
def _noise(seed: int, day: int) -> NDArray[np.float64]:
    rng = np.random.default_rng([seed, _NOISE, day])
    return rng.standard_normal((DAY_S // _GRAIN_S, len(CHANNELS)))
