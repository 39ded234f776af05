"""Numbers and times out of what a sensor wrote. Pure; nothing is guessed.

What is not plainly a number or a time raises `BadValueError`, whose text is the reason.
"""

import json
import math
import re
from datetime import UTC, datetime, timedelta

from collector.clock import EPOCH
from collector.config_base import TimeUnit
from collector.domain import Quantity

HEAD_BYTES = 512  # of what is put aside: most messages whole, so that one can tell what they are
_EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
_FURTHEST_AHEAD = timedelta(days=366)
# possessive: a quarter of a megabyte of digits with a letter at its end must not be tried in every way
_PLAIN_NUMBER = re.compile(r"[+-]?(\d++\.?\d*+|\.\d++)([eE][+-]?\d++)?", re.ASCII)
_LONGEST_TIME = 64
_NO_TIME = "its time is not a number of seconds and not ISO 8601"
_SWITCH_WORDS = {"on": 1.0, "true": 1.0, "online": 1.0, "off": 0.0, "false": 0.0, "offline": 0.0}
_ARRAY_INDEX = re.compile(r"0|[1-9]\d*")
_BEYOND_S = 10_000_000_000
_UNITS_PER_S = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
# NaN and Infinity come through as floats: they spoil their own value, not the others of the message.
# One decoder for all, where json.loads may make one for each.
_raw_decode = json.JSONDecoder().raw_decode
_JSON_SPACE = " \t\n\r"
UNDATED = "retained message without a device time: nobody knows when it was measured"


class BadValueError(Exception):
    """A part of a message that gives no reading; its text is the reason."""


def parse_document(payload: bytes) -> object:
    """Return JSON as Python, or a lone word as text.

    Raises
    ------
    BadValueError
        If it is neither.
    """
    try:
        text = payload.decode("utf-8").strip(_JSON_SPACE)
    except UnicodeDecodeError:
        raise BadValueError("payload is not UTF-8 text") from None
    try:
        document, end = _raw_decode(text)
    except RecursionError:
        raise BadValueError("payload is nested too deep") from None
    except ValueError:
        # a lone word or a number that JSON would not take ("+21.5", "on"): judged by the sensor
        return _lone_word(text)
    return document if end == len(text) else _lone_word(text)


def _lone_word(text: str) -> str:
    word = text.strip()
    if not word:
        raise BadValueError("payload is empty")
    if word[0] in "{[":
        raise BadValueError("payload is broken JSON")
    if len(word) > HEAD_BYTES:
        raise BadValueError("payload is neither a number nor JSON")
    return word


def split_pointer(pointer: str) -> tuple[str, ...]:
    """Split a JSON Pointer into its unescaped tokens (RFC 6901 section 4).

    >>> split_pointer("/a~1b/0/m~0n")
    ('a/b', '0', 'm~n')
    """
    if not pointer:
        return ()
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer[1:].split("/"))


def resolve(document: object, pointer: tuple[str, ...]) -> object:
    """Return what a JSON Pointer's tokens lead to.

    Raises
    ------
    BadValueError
        If they lead nowhere; the text names where they end.
    """
    here = document
    for depth, token in enumerate(pointer):
        if isinstance(here, dict) and token in here:
            here = here[token]
        elif isinstance(here, list) and _ARRAY_INDEX.fullmatch(token) and int(token) < len(here):
            here = here[int(token)]
        else:
            raise BadValueError(f"no field at /{'/'.join(pointer[: depth + 1])}")
    return here


def number_of(value: object, quantity: Quantity) -> float:
    """Return a number as a float, also one written as text; a switch may say on or off.

    Raises
    ------
    BadValueError
        If it is no finite number.
    """
    if type(value) is float and math.isfinite(value):  # nearly all are, tens of thousands a second
        return value
    if isinstance(value, bool):
        value = "true" if value else "false"
    if isinstance(value, str):
        word = value.strip()
        if quantity.unit == "0/1" and word.lower() in _SWITCH_WORDS:
            return _SWITCH_WORDS[word.lower()]
        if not _PLAIN_NUMBER.fullmatch(word):
            raise BadValueError("value is not a number")
        value = float(word)
    if value is None:
        raise BadValueError("value is null")
    if not isinstance(value, int | float):
        raise BadValueError("value is not a number")
    try:
        return finite(float(value))
    except OverflowError:
        raise BadValueError("value is not a finite number") from None


def finite(value: float) -> float:
    """Return `value`, also checked after a conversion: the store would refuse a whole batch for it.

    Raises
    ------
    BadValueError
        If it is infinite or not a number.
    """
    if not math.isfinite(value):
        what = "NaN, which is no measurement" if math.isnan(value) else "not a finite number"
        raise BadValueError(f"value is {what}")
    return value


def time_of(value: object, unit: TimeUnit, received_at: datetime) -> datetime:
    """Return a device's time in UTC.

    Raises
    ------
    BadValueError
        If it is no time, before 2000, or more than a year after `received_at`.
    """
    at = _iso_time(value) if isinstance(value, str) and _is_iso(value, unit) else _epoch_time(value, unit)
    if not _EARLIEST <= at <= received_at:  # where it may still be, a little ahead
        check_time(at, received_at)
    return at


def _is_iso(text: str, unit: TimeUnit) -> bool:
    if len(text) > _LONGEST_TIME:
        raise BadValueError("its time is not ISO 8601")
    return unit == "iso" or (unit == "auto" and not _PLAIN_NUMBER.fullmatch(text))


def check_time(at: datetime, received_at: datetime) -> None:
    """Refuse a time that no measurement can have.

    Raises
    ------
    BadValueError
        If it lies before 2000, or more than a year after `received_at`.
    """
    if at < _EARLIEST:
        raise BadValueError("its time is before the year 2000: the sensor's clock is not set")
    if at > received_at + _FURTHEST_AHEAD:
        raise BadValueError("its time is more than a year ahead of this computer's clock")


def _iso_time(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
        if at.tzinfo is None:
            raise BadValueError("its time has no UTC offset, so the hour is unknown")
        return at.astimezone(UTC)
    except ValueError:
        raise BadValueError("its time is not ISO 8601") from None
    except OverflowError:
        raise BadValueError("its time is beyond every calendar") from None


def _epoch_time(value: object, unit: TimeUnit) -> datetime:
    if type(value) is not int:  # nearly all are
        value = _plain_number(value)
    if unit == "iso":
        raise BadValueError(_NO_TIME)
    per_s = _guess_per_s(value) if unit == "auto" else _UNITS_PER_S[unit]
    try:
        # whole numbers stay whole: nanoseconds do not fit a double
        us = value * 1_000_000 // per_s if isinstance(value, int) else round(value * (1_000_000 / per_s))
        return EPOCH + timedelta(0, us // 1_000_000, us % 1_000_000)  # quicker than microseconds alone
    except (OverflowError, ValueError):
        raise BadValueError("its time is beyond every calendar") from None


def _plain_number(value: object) -> float:
    """Return a time's number; a whole one stays an int."""
    if isinstance(value, str) and _PLAIN_NUMBER.fullmatch(value):
        return int(value) if value.isdigit() else float(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadValueError(_NO_TIME)
    return value


def _guess_per_s(value: float) -> int:
    """Tell the unit by size: from 2000 to 2286 the four ranges do not meet."""
    size = abs(value)
    if size < _BEYOND_S:
        return 1
    if size < 1_000 * _BEYOND_S:
        return 1_000
    return 1_000_000 if size < 1_000_000 * _BEYOND_S else 1_000_000_000
