"""What a field may be, with the reason in words. Pure; whatever is not plain is said to be unsure."""

import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

from collector.config_base import SensorUnit
from collector.domain import QUANTITIES, Quantity
from collector.feeds.fields import written_number
from collector.feeds.words import meaning, plain_word
from collector.sensor_units import converter, senml_converter
from collector.values import BadValueError, number_of, time_of
from dashboards.listening.heard import HeardField

_TIME_WORDS = frozenset(
    ["t", "ts", "time", "timestamp", "at", "date", "datetime", "epoch", "utc", "sent", "measured"]
)
_STATES = (
    (frozenset(["online", "offline"]), "online", True, "it says online or offline"),
    (frozenset(["on", "off"]), "on", True, "it says on or off"),
    (frozenset(["true", "false"]), "on", False, "it says true or false, and its name does not say of what"),
)
_HOT_C = 45.0  # no shed stands at this: a number above it is in °F
_DOUBTFUL_C = 33.0
# The ranges of air pressure at sea level and on hills, in each unit.
_PRESSURES: tuple[tuple[float, float, SensorUnit], ...] = (
    (800, 1100, "hPa"),
    (80_000, 110_000, "Pa"),
    (80, 110, "kPa"),
    (23.6, 32.5, "inHg"),
)
_HUMIDITY_UNIT = "%RH"  # SenML's, for nothing else
_TEMP_C = QUANTITIES["air_c"]


@dataclass(frozen=True, slots=True)
class Guess:
    """What a field seems to be. `quantity` is empty for a time and for what is not known.

    A guess that is not `sure` is for a person to check before it is used.
    """

    quantity: str
    unit: SensorUnit
    is_time: bool
    sure: bool
    reason: str


def guess(field: HeardField, now: datetime) -> Guess:
    """Return what a field seems to be, from its name, its unit and its values."""
    if field.unit:
        return _by_stated_unit(field)
    if _is_time(field, now):
        return Guess("", "", is_time=True, sure=True, reason="it is the time of the measurement")
    for word in _words(field):
        known = meaning(word)
        if known is not None:
            return _by_name(plain_word(word), known.quantity, known.unit, field.values)
    return _by_values(field.values)


def _words(field: HeardField) -> Iterable[str]:
    """Yield the words that may name the field, the fullest first."""
    levels = [level for level in field.topic.split("/") if level]
    if field.shape in ("senml", "sparkplug"):
        parts = [part for part in re.split(r"[/:]", field.name) if part]
    elif field.shape == "json":
        parts = [levels[-1], *(word for word in field.name.split("/")[1:] if not word.isdigit())]
    else:
        parts = levels
    for length in (3, 2, 1):
        if len(parts) >= length:
            yield "_".join(parts[-length:])


def _by_stated_unit(field: HeardField) -> Guess:
    unit = field.unit or ""
    fitting = []
    for name, quantity in QUANTITIES.items():
        try:
            senml_converter(unit, quantity)
        except ValueError:
            continue
        fitting.append(name)
    for word in _words(field):
        known = meaning(word)
        if known is not None and known.quantity in fitting:
            reason = f"its unit is {unit!r} and its name {plain_word(word)!r}"
            return Guess(known.quantity, "", is_time=False, sure=True, reason=reason)
    if not fitting:
        return Guess("", "", False, False, f"its unit {unit!r} is none that layday uses")
    sure = len(fitting) == 1 or unit == _HUMIDITY_UNIT
    return Guess(fitting[0], "", False, sure, f"its unit is {unit!r}")


def _by_name(word: str, name: str, unit: SensorUnit, values: Sequence[object]) -> Guess:
    """Judge a known name by its values: whether they fit, and in which unit."""
    quantity = QUANTITIES[name]
    numbers, written = _numbers(values, quantity)
    reason = f"its name is {word!r}"
    if written:
        return Guess(name, "", False, True, f"{reason}, and it writes its unit")
    if not numbers:
        return Guess(name, unit, False, False, f"{reason}, but no value so far is one")
    middle = median(numbers)
    doubt = ""
    if name == "part_c" and not unit and middle > _HOT_C:
        doubt = f"{middle:g} may be a hot part in °C, or one in °F"
    elif quantity.unit == "°C" and not unit:
        unit, why, doubt = _temperature(middle)
        reason += why
    elif name == "pressure_hpa" and not unit:
        unit = next((u for low, high, u in _PRESSURES if low <= middle <= high), "")
        reason += f", and {middle:g} is air pressure in {unit}" if unit else ""
    elif name == "humidity_pct" and all(0 < abs(n) <= 1 for n in numbers):
        doubt = "its values are between 0 and 1, as shares are; layday takes per cent"
    value = converter(unit, quantity)(middle)
    if not quantity.min_value <= value <= quantity.max_value:
        doubt = f"{middle:g} is beyond what {quantity.words} can be"
    return Guess(name, unit, False, not doubt, f"{reason}; {doubt}" if doubt else reason)


def _numbers(values: Sequence[object], quantity: Quantity) -> tuple[list[float], bool]:
    """Return the values that are numbers, and whether they come with their unit."""
    numbers = []
    written = 0
    for value in values:
        try:
            with_unit = written_number(value, quantity)
            written += with_unit is not None
            numbers.append(number_of(value, quantity) if with_unit is None else with_unit)
        except BadValueError:
            continue
    return numbers, 0 < written == len(numbers)


def _temperature(middle: float) -> tuple[SensorUnit, str, str]:
    """Return the unit of a temperature that does not tell it, why, and what is doubtful about it."""
    as_f_c = converter("F", _TEMP_C)(middle)
    if middle > _HOT_C:
        return "F", f", and {middle:g} is in °F ({as_f_c:.1f} °C), as no shed is so hot in °C", ""
    if middle > _DOUBTFUL_C:
        return "C", "", f"{middle:g} may be °C, or °F ({as_f_c:.1f} °C)"
    return "C", f", and {middle:g} is in °C (as °F it would be {as_f_c:.1f} °C)", ""


def _by_values(values: Sequence[object]) -> Guess:
    """Guess from values alone; only a switch's words are plain."""
    texts = {str(value).strip().lower() for value in values}
    if not texts:
        return Guess("", "", False, False, "it has had no value so far")
    for words, name, sure, reason in _STATES:
        if texts <= words:
            return Guess(name, "", False, sure, reason)
    numbers = []
    for value in values:
        try:
            numbers.append(number_of(value, _TEMP_C))
        except BadValueError:
            return Guess("", "", False, False, "it is text")
    low, high = min(numbers), max(numbers)
    fractional = any(not math.isclose(n, round(n)) for n in numbers)
    if fractional and low >= -20 and high <= _HOT_C:  # noqa: PLR2004  a cold and a hot shed
        return Guess("air_c", "C", False, False, f"{low:g} to {high:g} may be °C; its name does not say")
    return Guess("", "", False, False, "a number whose name layday does not know")


def _is_time(field: HeardField, now: datetime) -> bool:
    if field.shape != "json" or not field.values:
        return False
    last_word = plain_word(field.name.rpartition("/")[2])
    named = last_word in _TIME_WORDS or last_word.endswith(("_time", "_at", "_ts"))
    for value in field.values:
        large = isinstance(value, int | float) and not isinstance(value, bool) and value > 1e9  # noqa: PLR2004
        if not (named or large or (isinstance(value, str) and "T" in value)):
            return False
        try:
            time_of(value, "auto", now)
        except BadValueError:
            return False
    return True
