"""The values that everything else passes around: frozen, plain, aware UTC times."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import IntFlag
from types import MappingProxyType
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a sensor measures.

    `name` ends in its unit. `min_value` and `max_value`, in that unit, bound what can be
    true in or around a shed; a reading beyond them is flagged, never changed.
    """

    name: str
    unit: str
    min_value: float
    max_value: float
    words: str


def _table() -> Mapping[str, Quantity]:
    rows = (
        Quantity("air_c", "°C", -40.0, 70.0, "air temperature"),
        Quantity("humidity_pct", "%", 0.0, 100.0, "relative humidity of the air, over water"),
        Quantity("part_c", "°C", -40.0, 150.0, "surface temperature of the part"),
        Quantity("forecast_air_c", "°C", -60.0, 60.0, "forecast air temperature"),
        Quantity("dew_point_c", "°C", -60.0, 60.0, "dew point"),
        Quantity("pressure_hpa", "hPa", 800.0, 1100.0, "air pressure"),
        Quantity("sun_w_m2", "W/m²", -10.0, 1500.0, "sunshine on a level surface"),
        Quantity("cloud_pct", "%", 0.0, 100.0, "cloud cover"),
        Quantity("wind_m_s", "m/s", 0.0, 75.0, "wind speed"),
        Quantity("on", "0/1", 0.0, 1.0, "running (1) or not (0)"),
        Quantity("on_pct", "%", 0.0, 100.0, "share of full power"),
        Quantity("setpoint_c", "°C", -10.0, 60.0, "thermostat setting"),
        Quantity("pipe_c", "°C", -20.0, 120.0, "heating pipe temperature"),
        Quantity("power_w", "W", 0.0, 200_000.0, "power"),
        Quantity("gas_kg", "kg", 0.0, 2_000.0, "gas left in the bottle or tank"),
        Quantity("lee_pct", "%", 0.0, 100.0, "leeward vent opening"),
        Quantity("wind_pct", "%", 0.0, 100.0, "windward vent opening"),
        Quantity("online", "0/1", 0.0, 1.0, "the sensor's node is connected (1) or has vanished (0)"),
        Quantity("open", "0/1", 0.0, 1.0, "open (1) or shut (0)"),
        Quantity("co_ppm", "ppm", 0.0, 10_000.0, "carbon monoxide"),
        Quantity("co2_ppm", "ppm", 0.0, 50_000.0, "carbon dioxide"),
        Quantity("battery_v", "V", 0.0, 60.0, "battery"),
        Quantity("signal_dbm", "dBm", -130.0, 10.0, "radio signal"),
    )
    return MappingProxyType({row.name: row for row in rows})


QUANTITIES: Mapping[str, Quantity] = _table()


@dataclass(frozen=True, slots=True)
class Sensor:
    """One measured series: a quantity at a place (a bay, ``outdoor``, ``heater`` …).

    `uncertainty` is the standard the sheet gives (±), in the quantity's unit; None takes
    the default of its kind.
    """

    place: str
    quantity: Quantity
    uncertainty: float | None = None

    @property
    def name(self) -> str:
        """The sensor's name, as in ``keel.air_c``."""
        return f"{self.place}.{self.quantity.name}"


class Flag(IntFlag):
    """Why a reading is suspect. The value itself is kept as measured."""

    NONE = 0
    OUT_OF_RANGE = 1
    STUCK = 2
    JUMP = 4
    RATE = 8
    DISAGREES = 16
    POWER_ON = 32
    ALL_ZERO = 64
    PINNED = 128
    SWAPPED = 256
    CLOCK_OFF = 512


class Reading(NamedTuple):
    """One measured value, as measured.

    A named tuple rather than a dataclass: tens of thousands are made each second after an
    outage, and this is the type that costs least.
    `at` is the device's time, or the receive time where the device sends none.
    """

    sensor: str
    at: datetime
    value: float
    received_at: datetime
    flags: Flag = Flag.NONE


@dataclass(frozen=True, slots=True)
class Rejected:
    """A message, or a part of one, that gave no reading, and why."""

    received_at: datetime
    source: str
    topic: str
    reason: str
    payload_head: bytes
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch in which a sensor gave nothing."""

    sensor: str
    start: datetime
    end: datetime
