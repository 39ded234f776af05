"""Sparkplug B messages byte by byte, from the specification's field numbers: no schema, no protobuf.

A second way to the same bytes, so that the reader is not judged by its own schema.
"""

import struct
from collections.abc import Sequence


def varint(value: int) -> bytes:
    """Return a protobuf varint."""
    out = bytearray()
    while True:
        out.append(value & 0x7F | (0x80 if value > 0x7F else 0))
        value >>= 7
        if not value:
            return bytes(out)


def whole(field: int, value: int) -> bytes:
    """Return a varint field."""
    return varint(field << 3) + varint(value)


def text(field: int, value: str | bytes) -> bytes:
    """Return a field of text or bytes."""
    data = value.encode() if isinstance(value, str) else value
    return varint(field << 3 | 2) + varint(len(data)) + data


def metric(
    name: str = "",
    *,
    alias: int | None = None,
    at_ms: int | None = None,
    datatype: int | None = None,
    null: bool = False,
    historical: bool = False,
    value: bytes = b"",
) -> bytes:
    """Return a metric; `value` is one of the value fields below."""
    out = text(1, name) if name else b""
    out += b"" if alias is None else whole(2, alias)
    out += b"" if at_ms is None else whole(3, at_ms)
    out += b"" if datatype is None else whole(4, datatype)
    out += whole(5, 1) if historical else b""
    out += whole(7, 1) if null else b""
    return out + value


def uint32(value: int) -> bytes:
    """Return int_value, in which 8, 16 and 32 bit numbers travel."""
    return whole(10, value)


def uint64(value: int) -> bytes:
    """Return long_value."""
    return whole(11, value)


def single(value: float) -> bytes:
    """Return float_value."""
    return varint(12 << 3 | 5) + struct.pack("<f", value)


def double(value: float) -> bytes:
    """Return double_value."""
    return varint(13 << 3 | 1) + struct.pack("<d", value)


def boolean(value: int) -> bytes:
    """Return boolean_value."""
    return whole(14, value)


def payload(metrics: Sequence[bytes], *, at_ms: int | None = None, seq: int | None = None) -> bytes:
    """Return a whole payload."""
    out = b"" if at_ms is None else whole(1, at_ms)
    out += b"".join(text(2, one) for one in metrics)
    return out + (b"" if seq is None else whole(3, seq))
