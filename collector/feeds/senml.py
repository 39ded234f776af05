"""SenML packs in JSON (RFC 8428): base fields resolved, times counted in whole microseconds."""

import math
from collections.abc import Mapping
from datetime import datetime, timedelta

from collector.clock import EPOCH
from collector.feeds.items import Found, Item, refused
from collector.values import BadValueError, check_time, parse_document

_VERSION = 10
_RELATIVE_BELOW_US = (1 << 28) * 1_000_000  # RFC 8428, section 4.5.3
_BASE = ("bn", "bt", "bu", "bv", "bs", "bver")
_VALUES = ("v", "vs", "vb", "vd")


def read_senml(payload: bytes, received_at: datetime) -> Found:
    """Return the records of a pack by their resolved names.

    Times below 2**28 s count from `received_at` (RFC 8428 section 4.5.3). Text, data and sums
    are no momentary values and come back as reasons; a boolean is for a switch.

    Raises
    ------
    BadValueError
        If it is no pack, of a later version, or has a field that must be understood.

    >>> from datetime import UTC
    >>> at = datetime(2026, 4, 3, tzinfo=UTC)
    >>> read_senml(b'[{"bn": "keel:", "n": "temp", "u": "Cel", "v": 18.5}]', at).items[0][:2]
    ('keel:temp', 18.5)
    """
    pack = parse_document(payload)
    if not isinstance(pack, list) or not pack or not all(isinstance(record, dict) for record in pack):
        raise BadValueError("payload is no SenML pack: a list of records")
    items: list[Item] = []
    problems: list[str] = []
    base: dict[str, object] = {}
    for record in pack:
        must = next((key for key in record if key.endswith("_")), None)
        if must is not None:
            raise BadValueError(f"SenML field {must[:40]!r} must be understood, and is not")
        base.update((key, record[key]) for key in _BASE if key in record)
        version = base.get("bver", _VERSION)
        if not isinstance(version, int) or version > _VERSION:
            raise BadValueError("SenML of a version later than 10")
        if not record.keys() <= set(_BASE):
            try:
                items.append(_item(record, base, received_at))
            except BadValueError as error:
                problems.append(str(error))
    return Found(items, problems)


def _item(record: Mapping[str, object], base: Mapping[str, object], received_at: datetime) -> Item:
    name = _text(base, "bn") + _text(record, "n")
    if not name:
        raise BadValueError("SenML record without a name")
    try:
        value = _value(record, base)
        unit = _text(record, "u") or _text(base, "bu") or None
        time_us = _us(base.get("bt", 0)) + _us(record.get("t", 0))
        at, by_arrival = _time(time_us, received_at)
    except BadValueError as error:
        return refused(name, str(error))
    return Item(name, value, at, unit, by_arrival)


def _text(fields: Mapping[str, object], key: str) -> str:
    text = fields.get(key, "")
    if not isinstance(text, str):
        raise BadValueError(f"SenML field {key!r} is no text")
    return text


def _value(record: Mapping[str, object], base: Mapping[str, object]) -> object:
    given = [key for key in _VALUES if key in record]
    if len(given) > 1:
        raise BadValueError("SenML record with more than one value")
    if not given:
        what = "a sum, which is no momentary value" if "s" in record else "no value"
        raise BadValueError(f"SenML record with {what}")
    if given == ["v"]:
        return _number(record["v"]) + (_number(base["bv"]) if "bv" in base else 0)
    if given == ["vb"]:
        if not isinstance(record["vb"], bool):
            raise BadValueError("SenML field 'vb' is neither true nor false")
        return record["vb"]
    raise BadValueError("SenML record with text or data, which is no number")


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadValueError("value is null" if value is None else "value is not a number")
    return value


def _us(seconds: object) -> int:
    """Return microseconds; each of two times is rounded by itself, or their sum would lose digits."""
    if isinstance(seconds, bool) or not isinstance(seconds, int | float):
        raise BadValueError("its time is not a number of seconds")
    if isinstance(seconds, int):
        return seconds * 1_000_000
    if not math.isfinite(seconds * 1e6):
        raise BadValueError("its time is beyond every calendar")
    return round(seconds * 1e6)


def _time(time_us: int, received_at: datetime) -> tuple[datetime | None, bool]:
    """Return when, and whether that was counted from the arrival."""
    if time_us == 0:
        return None, True
    relative = time_us < _RELATIVE_BELOW_US
    try:
        at = (received_at if relative else EPOCH) + timedelta(microseconds=time_us)
    except OverflowError:
        raise BadValueError("its time is beyond every calendar") from None
    check_time(at, received_at)
    return at, relative
