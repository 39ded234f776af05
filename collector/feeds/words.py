"""The words that sensors use for what they measure, and the units that such words end in."""

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple, cast

from collector.config_base import SensorUnit
from collector.domain import QUANTITIES
from collector.sensor_units import converter

_LONGEST_WORD = 100
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_BETWEEN = re.compile(r"[^a-z0-9]+")

# Common practice of people who name sensors; no source.
_SYNONYMS = {
    "air_c": "temperature temp air air_temperature air_temp airtemp ambient ambient_temperature ambient_temp "
    "room_temperature room_temp t_air temp_air",
    "humidity_pct": "humidity rh hum relative_humidity air_humidity air_rh",
    "part_c": "part part_temperature part_temp surface surface_temperature surface_temp laminate "
    "laminate_temperature laminate_temp t_part temp_part",
    "dew_point_c": "dew_point dewpoint",
    "pressure_hpa": "pressure air_pressure barometer barometric_pressure",
    "setpoint_c": "setpoint set_point target_temperature thermostat",
    "on": "state switch relay running power_state",
    "open": "door window vent contact",
    "online": "status availability lwt connected",
    "power_w": "power",
    "wind_m_s": "wind wind_speed",
    "sun_w_m2": "sun irradiance solar solar_radiation",
    "cloud_pct": "cloud clouds cloud_cover",
    "co_ppm": "co carbon_monoxide",
    "co2_ppm": "co2 carbon_dioxide",
    "battery_v": "battery_voltage battery vbat",
    "signal_dbm": "rssi signal signal_strength",
    "gas_kg": "gas",
}
WORDS: Mapping[str, str] = MappingProxyType(
    {word: name for name, words in _SYNONYMS.items() for word in words.split()}
)
# The unit a word may end in: the quantities' unit it stands for, and how the configuration writes it.
_ENDINGS: Mapping[str, tuple[str, SensorUnit]] = MappingProxyType(
    {
        "c": ("°C", "C"), "degc": ("°C", "C"), "celsius": ("°C", "C"),
        "f": ("°C", "F"), "degf": ("°C", "F"), "fahrenheit": ("°C", "F"),
        "k": ("°C", "K"), "kelvin": ("°C", "K"),
        "pct": ("%", "%"), "percent": ("%", "%"),
        "hpa": ("hPa", "hPa"), "mbar": ("hPa", "hPa"), "pa": ("hPa", "Pa"), "kpa": ("hPa", "kPa"),
        "inhg": ("hPa", "inHg"),
        "w": ("W", "W"), "kw": ("W", "kW"), "ms": ("m/s", "m/s"), "kmh": ("m/s", "km/h"),
        "mph": ("m/s", "mph"), "kt": ("m/s", "kt"),
        "v": ("V", ""), "ppm": ("ppm", ""), "dbm": ("dBm", ""), "kg": ("kg", ""),
    }
)  # fmt: skip
# What a payload may add to its number, as in `21.4 °C`.
WRITTEN_UNITS: Mapping[str, tuple[str, SensorUnit]] = MappingProxyType(
    {
        "°c": ("°C", "C"), "c": ("°C", "C"), "°f": ("°C", "F"), "f": ("°C", "F"), "k": ("°C", "K"),
        "%": ("%", "%"), "%rh": ("%", "%"), "hpa": ("hPa", "hPa"), "mbar": ("hPa", "hPa"),
        "pa": ("hPa", "Pa"), "kpa": ("hPa", "kPa"), "inhg": ("hPa", "inHg"),
        "m/s": ("m/s", "m/s"), "km/h": ("m/s", "km/h"), "mph": ("m/s", "mph"), "kt": ("m/s", "kt"),
        "w": ("W", "W"), "kw": ("W", "kW"), "v": ("V", ""), "ppm": ("ppm", ""), "dbm": ("dBm", ""),
        "kg": ("kg", ""), "w/m²": ("W/m²", ""), "w/m2": ("W/m²", ""),
    }
)  # fmt: skip


class Meaning(NamedTuple):
    """What a word stands for; `unit` is empty where the word names none."""

    quantity: str
    unit: SensorUnit


def plain_word(word: str) -> str:
    """Return a word in small letters and underscores.

    >>> plain_word("airTemperature-F")
    'air_temperature_f'
    """
    return _BETWEEN.sub("_", _CAMEL.sub("_", word[:_LONGEST_WORD]).lower()).strip("_")


def meaning(word: str) -> Meaning | None:
    """Return what a word stands for, or None for a word that is not known.

    >>> meaning("Air Temperature F")
    Meaning(quantity='air_c', unit='F')
    >>> meaning("humidity_f") is None
    True
    """
    plain = plain_word(word)
    if plain in QUANTITIES:
        return Meaning(plain, "")
    if plain in WORDS:
        return Meaning(WORDS[plain], "")
    base, _, ending = plain.rpartition("_")
    name = WORDS.get(base)
    if name is None or ending not in _ENDINGS:
        return None
    quantity_unit, unit = _ENDINGS[ending]
    return Meaning(name, unit) if QUANTITIES[name].unit == quantity_unit else None


def target_of(text: str) -> tuple[str | None, str, SensorUnit]:
    """Split ``keel.air_c F`` into place (or None), quantity and unit.

    Raises
    ------
    ValueError
        If it names no quantity, or a unit that does not fit.
    """
    sensor, _, unit = text.partition(" ")
    place, dot, name = sensor.rpartition(".")
    if name not in QUANTITIES:
        raise ValueError(
            f"{text!r} names no quantity; write 'keel.air_c', 'air_c' (in the place of the topic), "
            "'keel.air_c F' (with the sensor's unit), or '' to leave it out"
        )
    converter(unit, QUANTITIES[name])
    return place if dot else None, name, cast("SensorUnit", unit)
