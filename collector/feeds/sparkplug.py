"""Sparkplug B (Eclipse Sparkplug specification 3.0.0): births, data by name or alias, deaths."""

from datetime import datetime, timedelta
from typing import Any, NamedTuple

from collector.clock import EPOCH
from collector.feeds.births import Births, Key, Metric
from collector.feeds.items import Item, refused
from collector.values import BadValueError, check_time

_NAMESPACE = "spBv1.0"
_TO_OTHERS = ("NCMD", "DCMD", "STATE")
_OF_NODE = ("NBIRTH", "NDATA", "NDEATH")
_OF_DEVICE = ("DBIRTH", "DDATA", "DDEATH")
_NODE_LEVELS, _DEVICE_LEVELS = 4, 5
_INT64, _BOOLEAN = 4, 11  # data types, specification 6.4.16; 1 to 4 are signed
_BITS = {1: 8, 2: 16, 3: 32, 4: 64, 5: 8, 6: 16, 7: 32, 8: 64}
_SESSION = "bdSeq"


class Heard(NamedTuple):
    """A Sparkplug message: of whom, what kind, its values, and since when it holds."""

    key: Key
    kind: str
    items: list[Item]
    problems: list[str]
    at: datetime | None


def read_sparkplug(topic: str, payload: bytes, received_at: datetime, births: Births) -> Heard | None:
    """Return what a message says, and remember or forget what it declares; None if it is for others.

    Raises
    ------
    BadValueError
        If topic or payload are not Sparkplug B, or a death belongs to an earlier connection.
    """
    key, kind = _of_topic(topic)
    if kind in _TO_OTHERS:
        return None
    parsed = _parse(payload)
    sent_at = _time(parsed, received_at)
    if kind == "NDEATH":
        births.die(key, _session(parsed))
        return Heard(key, kind, [], [], None)  # a will's time is that of the connection's beginning
    if kind == "DDEATH":
        return Heard(key, kind, [], [], sent_at)
    if kind in ("NBIRTH", "DBIRTH"):
        births.bear(key, _declared(parsed.metrics), _session(parsed))
    items: list[Item] = []
    problems: list[str] = []
    for metric in parsed.metrics:
        try:
            items.append(_item(metric, key, sent_at, received_at, births))
        except BadValueError as error:
            problems.append(str(error))
    return Heard(key, kind, items, problems, sent_at)


def _of_topic(topic: str) -> tuple[Key, str]:
    levels = topic.split("/")
    if levels[0] != _NAMESPACE:
        raise BadValueError(f"topic does not begin with {_NAMESPACE}")
    if len(levels) > 1 and levels[1] == "STATE":
        return Key("", "", ""), "STATE"
    kind = levels[2] if len(levels) > 2 else ""  # noqa: PLR2004  namespace/group/kind
    of_node = len(levels) == _NODE_LEVELS and kind in (*_OF_NODE, *_TO_OTHERS)
    of_device = len(levels) == _DEVICE_LEVELS and kind in (*_OF_DEVICE, *_TO_OTHERS)
    if not (of_node or of_device):
        raise BadValueError("topic is none of Sparkplug B's")
    return Key(levels[1], levels[3], levels[4] if of_device else ""), kind


def _parse(payload: bytes) -> Any:  # noqa: ANN401  a class made at run time
    from google.protobuf.message import DecodeError

    from collector.feeds.sparkplug_schema import payload_class  # protobuf is loaded where it is used

    parsed = payload_class()()
    try:
        parsed.ParseFromString(payload)
    except DecodeError:
        raise BadValueError("payload is no Sparkplug B message") from None
    return parsed


def _session(parsed: Any) -> int | None:  # noqa: ANN401  a class made at run time
    """Return the number of the node's connection, which ties a death to its birth."""
    for metric in parsed.metrics:
        if metric.name == _SESSION and metric.WhichOneof("value") in ("int_value", "long_value"):
            return int(metric.long_value or metric.int_value)
    return None


def _declared(metrics: Any) -> list[Metric]:  # noqa: ANN401  a class made at run time
    return [
        Metric(metric.name, metric.alias if metric.HasField("alias") else None, metric.datatype)
        for metric in metrics
        if metric.name and isinstance(metric.name, str)
    ]


def _time(stamped: Any, received_at: datetime) -> datetime | None:  # noqa: ANN401  a class made at run time
    if not stamped.HasField("timestamp"):
        return None
    try:
        at = EPOCH + timedelta(milliseconds=stamped.timestamp)
    except OverflowError:
        raise BadValueError("its time is beyond every calendar") from None
    check_time(at, received_at)
    return at


def _item(
    metric: Any,  # noqa: ANN401  a class made at run time
    key: Key,
    sent_at: datetime | None,
    received_at: datetime,
    births: Births,
) -> Item:
    if not isinstance(metric.name, str):
        raise BadValueError("metric name is not UTF-8 text")  # protobuf hands such a one over as bytes
    known = births.metric(key, metric.alias) if metric.HasField("alias") else None
    name = metric.name or (known.name if known else "")
    if not name:
        raise BadValueError(
            f"alias {metric.alias} is of no birth heard here; restart the node, so that it is born again"
            if metric.HasField("alias")
            else "metric without name and alias"
        )
    datatype = metric.datatype or (known.datatype if known else births.datatype(key, name))
    try:
        at = _time(metric, received_at) or sent_at
        value = _value(metric, datatype)
    except BadValueError as error:
        return refused(name, str(error))
    return Item(name, value, at, None, at is None)


def _value(metric: Any, datatype: int) -> object:  # noqa: ANN401  a class made at run time
    field = metric.WhichOneof("value")
    if metric.is_null:
        raise BadValueError("value is null")
    if field is None:
        raise BadValueError("metric without a value, or with one that is no number")
    value: object = getattr(metric, field)
    if isinstance(value, bool) or not isinstance(value, int):
        return value
    if datatype == _BOOLEAN:
        return bool(value)
    return _integer(value, datatype, 32 if field == "int_value" else 64)


def _integer(value: int, datatype: int, sent_bits: int) -> int:
    """Undo two's complement: Sparkplug sends signed numbers in unsigned fields (specification 6.4.16).

    Some senders extend the sign to the field's width, others only to the type's: both are read.
    """
    bits = _BITS.get(datatype)
    if bits is None:
        if value >> (sent_bits - 1):
            raise BadValueError("integer without a data type: its sign is unknown")
        return value
    unsigned = value
    if datatype <= _INT64 and value >> bits and value >> (bits - 1) == (1 << (sent_bits - bits + 1)) - 1:
        unsigned = value & ((1 << bits) - 1)
    if unsigned >> bits:
        raise BadValueError("integer too large for its data type")
    if datatype <= _INT64 and unsigned >> (bits - 1):
        return unsigned - (1 << bits)
    return unsigned
