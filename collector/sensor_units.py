"""The units that sensors report in, turned into those of our quantities. Pure.

Two registries: the short names of the configuration, and SenML's. What a unit is worth
stands in `collector.units`.
"""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from collector.domain import Quantity
from collector.units import (
    G_PER_KG,
    HPA_PER_IN_HG,
    M_PER_FT,
    PA_PER_HPA,
    PCT,
    S_PER_H,
    fahrenheit_c,
    kelvin_c,
)


def _same(value: float) -> float:
    return value


def _times(factor: float) -> Callable[[float], float]:
    return lambda value: value * factor


_CONVERSIONS: Mapping[str, tuple[str, Callable[[float], float]]] = MappingProxyType(
    {
        "C": ("°C", _same),
        "F": ("°C", fahrenheit_c),
        "K": ("°C", kelvin_c),
        "%": ("%", _same),
        "hPa": ("hPa", _same),
        "Pa": ("hPa", _times(1.0 / PA_PER_HPA)),
        "kPa": ("hPa", _times(1000.0 / PA_PER_HPA)),
        "inHg": ("hPa", _times(HPA_PER_IN_HG)),
        "m/s": ("m/s", _same),
        "km/h": ("m/s", _times(1000.0 / S_PER_H)),
        "mph": ("m/s", _times(5280 * M_PER_FT / S_PER_H)),
        "kt": ("m/s", _times(1852.0 / S_PER_H)),
        "W": ("W", _same),
        "kW": ("W", _times(1000.0)),
    }
)


# SenML's units: RFC 8428 section 12.1 and RFC 8798 (secondary units; from memory). "F" is the farad there.
_SENML: Mapping[str, tuple[str, Callable[[float], float]]] = MappingProxyType(
    {
        "Cel": ("°C", _same),
        "K": ("°C", kelvin_c),
        "%RH": ("%", _same),
        "%": ("%", _same),
        "/": ("%", _times(PCT)),
        "/100": ("%", _same),
        "Pa": ("hPa", _times(1.0 / PA_PER_HPA)),
        "hPa": ("hPa", _same),
        "m/s": ("m/s", _same),
        "km/h": ("m/s", _times(1000.0 / S_PER_H)),
        "W": ("W", _same),
        "kW": ("W", _times(1000.0)),
        "W/m2": ("W/m²", _same),
        "V": ("V", _same),
        "mV": ("V", _times(1e-3)),
        "kg": ("kg", _same),
        "g": ("kg", _times(1.0 / G_PER_KG)),
        "ppm": ("ppm", _same),
        "dBm": ("dBm", _same),
    }
)


def senml_converter(unit: str, quantity: Quantity) -> Callable[[float], float]:
    """Return the function that turns a number in a unit of SenML's registry into the quantity's unit.

    Parameters
    ----------
    unit : str
        As registered by RFC 8428 section 12.1 and RFC 8798.
    quantity : Quantity
        What is measured.

    Raises
    ------
    ValueError
        If the unit is unknown or is one of something else.

    >>> from collector.domain import QUANTITIES
    >>> senml_converter("K", QUANTITIES["air_c"])(273.15)
    0.0
    """
    into, convert = _SENML.get(unit, ("", _same))
    if into != quantity.unit:
        raise ValueError(f"{quantity.name} [{quantity.unit}] cannot be in SenML's unit {unit[:20]!r}")
    return convert


def converter(sensor_unit: str, quantity: Quantity) -> Callable[[float], float]:
    """Return the function that turns a sensor's number into the quantity's unit.

    Parameters
    ----------
    sensor_unit : str
        As in the configuration (`collector.config_base.SensorUnit`); empty: already in the
        quantity's unit.
    quantity : Quantity
        What is measured.

    Raises
    ------
    ValueError
        If the unit is unknown or is one of something else; the text names those that fit.

    >>> from collector.domain import QUANTITIES
    >>> converter("F", QUANTITIES["air_c"])(212.0)
    100.0
    """
    if not sensor_unit:
        return _same
    into, convert = _CONVERSIONS.get(sensor_unit, ("", _same))
    if into != quantity.unit:
        fitting = [unit for unit, (target, _) in _CONVERSIONS.items() if target == quantity.unit]
        hint = f"write one of {', '.join(fitting)}, or leave it out" if fitting else "leave it out"
        raise ValueError(
            f"a sensor of {quantity.name} [{quantity.unit}] cannot report in {sensor_unit!r}; {hint}"
        )
    return convert
