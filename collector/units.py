"""The one place with numbers that turn one unit into another, such as 273.15, 1.8, 28.35.

Inside layday everything is in the unit that its name ends in. Other units come in at two
doors: a sensor's (`collector.sensor_units`) and a person's (``parse_…``, here). A person's
ounces are never guessed at: an ounce may be of weight or of volume, cloth is sold in ounces
per square yard and mat in ounces per square foot.
"""

import math
import re
from collections.abc import Mapping
from types import MappingProxyType

from collector.errors import InputError

ZERO_C_K = 273.15
K_PER_F = 1.0 / 1.8
G_PER_KG = 1000.0
ML_PER_L = 1000.0
MM_PER_M = 1000.0
CM3_PER_M3 = 1e6
PA_PER_HPA = 100.0
MIN_PER_H = 60.0
S_PER_MIN = 60.0
S_PER_H = 3600.0
PCT = 100.0

# Exact by definition: the international yard and pound of 1959, the US gallon of 231 in³.
M_PER_FT = 0.3048
_M_PER_YD = 0.9144
_G_PER_LB = 453.59237
_G_PER_OZ = _G_PER_LB / 16
_ML_PER_US_GAL = 3785.411784
_FL_OZ_PER_US_GAL = 128.0
# Conventional inch of mercury at 0 °C, NIST SP 811 (2008), appendix B.8.
HPA_PER_IN_HG = 33.86389

_Table = Mapping[str, float]
_MASS_G: _Table = MappingProxyType({"g": 1.0, "kg": G_PER_KG, "lb": _G_PER_LB, "oz wt": _G_PER_OZ})
_VOLUME_ML: _Table = MappingProxyType(
    {
        "ml": 1.0,
        "l": ML_PER_L,
        "fl oz": _ML_PER_US_GAL / 128,
        "us qt": _ML_PER_US_GAL / 4,
        "us gal": _ML_PER_US_GAL,
    }
)
_AREAL_G_M2: _Table = MappingProxyType(
    {"g/m2": 1.0, "oz/yd2": _G_PER_OZ / _M_PER_YD**2, "oz/ft2": _G_PER_OZ / M_PER_FT**2}
)
_AREA_M2: _Table = MappingProxyType({"m2": 1.0, "cm2": 1e-4, "ft2": M_PER_FT**2, "yd2": _M_PER_YD**2})
_DURATION_MIN: _Table = MappingProxyType(
    {"min": 1.0, "h": MIN_PER_H, "s": 1.0 / S_PER_MIN, "d": 24.0 * MIN_PER_H}
)
_DIFFERENCE_K: _Table = MappingProxyType({"C": 1.0, "F": K_PER_F, "K": 1.0})
_PERCENT: _Table = MappingProxyType({"%": 1.0})

# Other spellings of the units above, as they are left by `_plain`.
_SPELLINGS = MappingProxyType(
    {
        "lbs": "lb", "ozwt": "oz wt", "grams": "g", "gram": "g", "cc": "ml", "litre": "l",
        "litres": "l", "liter": "l", "liters": "l", "floz": "fl oz", "usfloz": "fl oz",
        "usqt": "us qt", "usgal": "us gal", "gsm": "g/m2", "oz/sqyd": "oz/yd2", "oz/sqft": "oz/ft2",
        "sqm": "m2", "sqft": "ft2", "sqyd": "yd2", "m": "min", "mins": "min", "hr": "h", "hrs": "h",
        "hours": "h", "hour": "h", "pct": "%", "percent": "%", "c": "C", "degc": "C", "f": "F",
        "degf": "F", "k": "K",
    }
)  # fmt: skip
_NUMBER = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*(\D.*|)", re.DOTALL)
_HOURS_MINUTES = re.compile(r"(\d+)\s*(?:h|:)\s*([0-5]?\d)\s*(?:min|m)?", re.IGNORECASE)


def fahrenheit_c(temp_f: float) -> float:
    """Return a temperature [°C] given in °F.

    >>> fahrenheit_c(212.0)
    100.0
    """
    return (temp_f - 32.0) * K_PER_F


def kelvin_c(temp_k: float) -> float:
    """Return a temperature [°C] given in kelvin.

    >>> kelvin_c(273.15)
    0.0
    """
    return temp_k - ZERO_C_K


def parse_temperature_c(text: str, *, default: str = "") -> float:
    """Return a temperature [°C] written with its unit, as in ``64F``, ``18 °C``, ``291K``.

    Parameters
    ----------
    text : str
        A number and C, F or K.
    default : str
        The unit of a bare number; without one a bare number is refused.

    Raises
    ------
    InputError
        If it is no temperature, has no unit, or lies below absolute zero.

    >>> round(parse_temperature_c("64F"), 2)
    17.78
    """
    number, unit = _split(text, "temperature", _DIFFERENCE_K, default)
    temp_c = {"C": number, "F": fahrenheit_c(number), "K": kelvin_c(number)}[unit]
    if temp_c < -ZERO_C_K:
        raise InputError(f"{text!r} is below absolute zero; check the number and its unit")
    return temp_c


def parse_difference_k(text: str, *, default: str = "") -> float:
    """Return a difference of temperatures [K], as in ``5F`` (2.78 K) or ``3 C``.

    Parameters
    ----------
    text : str
        A number and C, K or F.
    default : str
        The unit of a bare number; without one a bare number is refused.

    Raises
    ------
    InputError
        If it is no difference of temperatures, or has no unit.

    >>> round(parse_difference_k("5F"), 2)
    2.78
    """
    number, unit = _split(text, "difference of temperatures", _DIFFERENCE_K, default)
    return number * _DIFFERENCE_K[unit]


def parse_mass_g(text: str, *, default: str = "") -> float:
    """Return a mass [g], as in ``500g``, ``1.2 kg``, ``2lb``, ``12 oz wt``.

    Parameters
    ----------
    text : str
        A number, not negative, and its unit. A bare "oz" is refused.
    default : str
        The unit of a bare number; without one a bare number is refused.

    Raises
    ------
    InputError
        If it is no mass, or its unit is missing or could mean two things.

    >>> round(parse_mass_g("2lb"), 1)
    907.2
    """
    return _scaled(text, "mass", _MASS_G, default)


def is_volume(text: str) -> bool:
    """Say whether an amount is in a unit of volume; a bare "oz" is in none.

    A quart or gallon that does not say whose is one too: `parse_volume_ml` then says how to write it.

    >>> is_volume("1.5 l"), is_volume("1 qt"), is_volume("800g")
    (True, True, False)
    """
    found = _NUMBER.fullmatch(text.strip())
    return found is not None and _plain(found[2]) in {*_VOLUME_ML, "qt", "gal"}


def parse_volume_ml(text: str, *, default: str = "") -> float:
    """Return a volume [mL], as in ``15ml``, ``0.5 l``, ``24 fl oz`` (US), ``1 us gal``.

    Parameters
    ----------
    text : str
        A number, not negative, and its unit. A bare "oz" is refused.
    default : str
        The unit of a bare number; without one a bare number is refused.

    Raises
    ------
    InputError
        If it is no volume, or its unit is missing or could mean two things.

    >>> round(parse_volume_ml("24 fl oz"), 1)
    709.8
    """
    return _scaled(text, "volume", _VOLUME_ML, default)


def parse_areal_g_m2(text: str, *, default: str = "") -> float:
    """Return the weight of a cloth or mat [g/m²], as in ``12oz/yd2``, ``0.75oz/ft2``, ``300g/m2``.

    Parameters
    ----------
    text : str
        A number, not negative, and its unit. A bare "oz" is refused.
    default : str
        The unit of a bare number; without one a bare number is refused.

    Raises
    ------
    InputError
        If it is no areal weight, or its unit is missing or could mean two things.

    >>> round(parse_areal_g_m2("12oz/yd2")), round(parse_areal_g_m2("0.75 oz/ft²"))
    (407, 229)
    """
    return _scaled(text, "cloth or mat weight", _AREAL_G_M2, default)


def parse_area_m2(text: str, *, default: str = "") -> float:
    """Return an area [m²], as in ``2.5m2``, ``30 sq ft``.

    Parameters
    ----------
    text : str
        A number, not negative, and its unit.
    default : str
        The unit of a bare number; without one a bare number is refused.

    Raises
    ------
    InputError
        If it is no area, or has no unit.

    >>> round(parse_area_m2("30 sq ft"), 2)
    2.79
    """
    return _scaled(text, "area", _AREA_M2, default)


def parse_duration_min(text: str, *, default: str = "") -> float:
    """Return a duration [min], as in ``45min``, ``1h30``, ``1:30``, ``1.5h``, ``2d``.

    Parameters
    ----------
    text : str
        A number, not negative, and its unit; or hours and minutes.
    default : str
        The unit of a bare number; without one a bare number is refused.

    Raises
    ------
    InputError
        If it is no duration, or has no unit.

    >>> parse_duration_min("1h30"), parse_duration_min("1.5h")
    (90.0, 90.0)
    """
    if both := _HOURS_MINUTES.fullmatch(text.strip()):
        return int(both[1]) * MIN_PER_H + int(both[2])
    return _scaled(text, "duration", _DURATION_MIN, default)


def parse_percent(text: str) -> float:
    """Return a percentage [%], as in ``1.5%`` or ``1.5``.

    Parameters
    ----------
    text : str
        A number from 0 to 100, with or without its sign.

    Raises
    ------
    InputError
        If it is no percentage from 0 to 100.

    >>> parse_percent("1.5 %")
    1.5
    """
    percent = _scaled(text, "percentage", _PERCENT, "%")
    if percent > PCT:
        raise InputError(f"{text!r} is more than 100 %")
    return percent


def _scaled(text: str, what: str, table: _Table, default: str) -> float:
    number, unit = _split(text, what, table, default)
    if number < 0:
        raise InputError(f"{text!r} is below zero; a {what} is not")
    return number * table[unit]


def _split(text: str, what: str, table: _Table, default: str) -> tuple[float, str]:
    """Take a text apart into its number and a unit that `table` knows."""
    found = _NUMBER.fullmatch(text.strip())
    units = ", ".join(table)
    if "," in text:
        raise InputError(f"{text!r} has a comma; write decimals with a point, as in 1.5, and 1000 as it is")
    if found is None or not math.isfinite(float(found[1])):
        raise InputError(f"{text!r} is no {what}; write a number and one of {units}")
    unit = _plain(found[2]) or _plain(default)
    if unit in table:
        return float(found[1]), unit
    if unit == "oz":
        raise InputError(f"{text!r}: {_which_ounce(float(found[1]), table)}")
    if not unit:
        raise InputError(f"{text!r} has no unit; write it with one of {units}")
    raise InputError(f"{text!r}: {found[2].strip()!r} is no unit of {what}; write one of {units}")


def _plain(unit: str) -> str:
    """Fold case, degree signs, squares and spaces: ``oz / Sq Yd`` and ``oz/yd²`` become ``oz/yd2``."""
    bare = unit.lower().replace("²", "2").replace("^2", "2")
    bare = re.sub(r"[\s°º().]", "", bare)
    return _SPELLINGS.get(bare, bare)


def _which_ounce(number: float, table: _Table) -> str:
    if table is _AREAL_G_M2:
        cloth, mat = (number * table[unit] for unit in ("oz/yd2", "oz/ft2"))
        return (
            f"ounces per what? Cloth is sold by the square yard: '{number:g} oz/yd2' is {cloth:.0f} g/m2. "
            f"Mat by the square foot: '{number:g} oz/ft2' is {mat:.0f} g/m2"
        )
    if table is _MASS_G:
        mass_g = number * table["oz wt"]
        return (
            f"which ounce? If it was weighed, write '{number:g} oz wt' ({mass_g:.1f} g). "
            "If it was poured it is a volume (fl oz), which does not say what it weighs"
        )
    if table is _VOLUME_ML:
        volume_ml = number * table["fl oz"]
        return (
            f"which ounce? If it was poured, write '{number:g} fl oz' ({volume_ml:.1f} mL). "
            "If it was weighed it is a weight (oz wt), not a volume"
        )
    return f"an ounce is no unit here; write one of {', '.join(table)}"


def mass_oz(mass_g: float) -> float:
    """Return a mass in ounces (avoirdupois).

    >>> round(mass_oz(28.349523125), 9)
    1.0
    """
    return mass_g / _G_PER_OZ


def volume_fl_oz(volume_ml: float) -> float:
    """Return a volume in US fluid ounces.

    >>> round(volume_fl_oz(29.5735295625), 9)
    1.0
    """
    return volume_ml / _ML_PER_US_GAL * _FL_OZ_PER_US_GAL


def shown_temperature(temp_c: float, *, fahrenheit: bool) -> float:
    """Return a temperature as a number in the reader's own unit, °F or °C.

    >>> shown_temperature(100.0, fahrenheit=True)
    212.0
    """
    return temp_c / K_PER_F + 32.0 if fahrenheit else temp_c


def shown_difference(difference_k: float, *, fahrenheit: bool) -> float:
    """Return a difference of temperatures as a number in the reader's own unit.

    >>> round(shown_difference(3.0, fahrenheit=True), 6)
    5.4
    """
    return difference_k / K_PER_F if fahrenheit else difference_k
