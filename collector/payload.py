"""One MQTT message to readings, or to the reason why not. Pure: no clock, no I/O, never raises.

What is understood: one number per topic, and JSON of any nesting with JSON Pointers
(RFC 6901). Nothing is guessed: a value that is not plainly a number is rejected with its
reason, and the other values of the same message are kept.
"""

import json
import math
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

from collector.clock import EPOCH
from collector.config import SensorConfig, TimeUnit
from collector.domain import Quantity, Reading, Rejected
from collector.quality import range_flag
from collector.source import Message
from collector.units import converter

HEAD_BYTES = 256
_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
_FURTHEST_AHEAD = timedelta(days=366)
_PLAIN_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_SWITCH_WORDS = {"on": 1.0, "true": 1.0, "online": 1.0, "off": 0.0, "false": 0.0, "offline": 0.0}
_ARRAY_INDEX = re.compile(r"0|[1-9]\d*")
_UNITS_PER_S = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}


class _BadValueError(Exception):
    """A part of a message that gives no reading; its text is the reason."""


@dataclass(frozen=True, slots=True)
class Route:
    """Where one sensor's number stands in the messages of one topic."""

    sensor: str
    quantity: Quantity
    pointer: tuple[str, ...]
    convert: Callable[[float], float]
    time_pointer: tuple[str, ...] | None
    time_unit: TimeUnit


Routes = Mapping[str, tuple[Route, ...]]


class Decoded(NamedTuple):
    """What a message gave; either may be empty."""

    readings: list[Reading]
    rejected: list[Rejected]


def build_routes(entries: Iterable[SensorConfig]) -> Routes:
    """Return the routes of the configured sensors, by topic."""
    routes: dict[str, list[Route]] = defaultdict(list)
    for entry in entries:
        sensor = entry.sensor
        routes[entry.topic].append(
            Route(
                sensor=sensor.name,
                quantity=sensor.quantity,
                pointer=split_pointer(entry.pointer),
                convert=converter(entry.unit, sensor.quantity),
                time_pointer=None if entry.time_pointer is None else split_pointer(entry.time_pointer),
                time_unit=entry.time_unit,
            )
        )
    return {topic: tuple(found) for topic, found in routes.items()}


def split_pointer(pointer: str) -> tuple[str, ...]:
    """Split a JSON Pointer into its unescaped tokens (RFC 6901 section 4).

    >>> split_pointer("/a~1b/0/m~0n")
    ('a/b', '0', 'm~n')
    """
    if not pointer:
        return ()
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer[1:].split("/"))


def decode(message: Message, routes: Routes, source: str) -> Decoded:
    """Return the readings of a message, and what of it was put aside and why."""
    found = routes.get(message.topic)
    if found is None:
        return Decoded([], [reject(message, source, "no sensor is configured for this topic")])
    try:
        document = _parse(message.payload)
    except _BadValueError as error:
        return Decoded([], [reject(message, source, str(error))])
    readings: list[Reading] = []
    rejected: list[Rejected] = []
    for route in found:
        try:
            readings.append(_read(document, route, message))
        except _BadValueError as error:
            rejected.append(reject(message, source, f"{route.sensor}: {error}"))
    return Decoded(readings, rejected)


def reject(message: Message, source: str, reason: str) -> Rejected:
    """Return the record of a message that gave no reading."""
    return Rejected(
        message.received_at,
        source,
        message.topic,
        reason,
        message.payload[:HEAD_BYTES],
        len(message.payload),
    )


def _parse(payload: bytes) -> object:
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        raise _BadValueError("payload is not UTF-8 text") from None
    try:
        return json.loads(text, parse_constant=_not_finite)
    except RecursionError:
        raise _BadValueError("payload is nested too deep") from None
    except ValueError:
        # a lone word or a number that JSON would not take ("+21.5", "on"): judged by the sensor
        return _lone_word(text)


def _not_finite(word: str) -> float:
    raise _BadValueError(f"payload holds {word}, which is no measurement")


def _lone_word(text: str) -> str:
    word = text.strip()
    if not word:
        raise _BadValueError("payload is empty")
    if word[0] in "{[":
        raise _BadValueError("payload is broken JSON")
    if len(word) > HEAD_BYTES:
        raise _BadValueError("payload is neither a number nor JSON")
    return word


def _read(document: object, route: Route, message: Message) -> Reading:
    value = route.convert(_number(_resolve(document, route.pointer), route.quantity))
    at, flags = message.received_at, range_flag(route.quantity, value)
    if route.time_pointer is not None:
        at = _time(_resolve(document, route.time_pointer), route.time_unit)
        if at > message.received_at + _FURTHEST_AHEAD:
            raise _BadValueError("its time is more than a year ahead of this computer's clock")
    elif message.retained:
        raise _BadValueError("retained message without a device time: nobody knows when it was measured")
    return Reading(route.sensor, at, value, message.received_at, flags)


def _resolve(document: object, pointer: tuple[str, ...]) -> object:
    here = document
    for depth, token in enumerate(pointer):
        if isinstance(here, dict) and token in here:
            here = here[token]
        elif isinstance(here, list) and _ARRAY_INDEX.fullmatch(token) and int(token) < len(here):
            here = here[int(token)]
        else:
            raise _BadValueError(f"no field at /{'/'.join(pointer[: depth + 1])}")
    return here


def _number(value: object, quantity: Quantity) -> float:
    if isinstance(value, bool):
        value = "true" if value else "false"
    if isinstance(value, str):
        word = value.strip()
        if quantity.unit == "0/1" and word.lower() in _SWITCH_WORDS:
            return _SWITCH_WORDS[word.lower()]
        if not _PLAIN_NUMBER.fullmatch(word):
            raise _BadValueError("value is not a number")
        value = float(word)
    if value is None:
        raise _BadValueError("value is null")
    if not isinstance(value, int | float):
        raise _BadValueError("value is not a number")
    try:
        number = float(value)
    except OverflowError:
        raise _BadValueError("value is not a finite number") from None
    if not math.isfinite(number):
        raise _BadValueError("value is not a finite number")
    return number


def _time(value: object, unit: TimeUnit) -> datetime:
    if isinstance(value, str) and (unit == "iso" or (unit == "auto" and not _PLAIN_NUMBER.fullmatch(value))):
        at = _iso_time(value)
    else:
        at = _epoch_time(value, unit)
    if at < _EARLIEST:
        raise _BadValueError("its time is before the year 2000: the sensor's clock is not set")
    return at


def _iso_time(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise _BadValueError("its time is not ISO 8601") from None
    if at.tzinfo is None:
        raise _BadValueError("its time has no UTC offset, so the hour is unknown")
    return at.astimezone(UTC)


def _epoch_time(value: object, unit: TimeUnit) -> datetime:
    if isinstance(value, str) and _PLAIN_NUMBER.fullmatch(value):
        value = int(value) if value.isdigit() else float(value)
    if isinstance(value, bool) or not isinstance(value, int | float) or unit == "iso":
        raise _BadValueError("its time is not a number of seconds and not ISO 8601")
    per_s = _UNITS_PER_S[_guess_unit(value) if unit == "auto" else unit]
    try:
        # whole numbers stay whole: nanoseconds do not fit a double
        us = value * 1_000_000 // per_s if isinstance(value, int) else round(value * (1_000_000 / per_s))
        return EPOCH + timedelta(microseconds=us)
    except (OverflowError, ValueError):
        raise _BadValueError("its time is beyond every calendar") from None


def _guess_unit(value: float) -> str:
    """Tell the unit by size: from 2000 to 2286 the four ranges do not meet."""
    for unit in ("s", "ms", "us"):
        if abs(value) < 1e10 * _UNITS_PER_S[unit]:
            return unit
    return "ns"
