"""MQTT's bytes: numbers, strings and properties, and the packets that a server sends.

Pure. The rules are those of OASIS MQTT 3.1.1 (2014) and MQTT 5.0 (2019); section numbers
in this package are of the latter unless said otherwise.
"""

import struct
from array import array
from collections.abc import Mapping, Sequence
from enum import IntEnum
from sys import byteorder

MQTT_3_1_1 = 4
MQTT_5 = 5

CONNECT, CONNACK, PUBLISH, PUBACK, PUBREC, PUBREL, PUBCOMP = range(1, 8)
SUBSCRIBE, SUBACK, UNSUBSCRIBE, UNSUBACK, PINGREQ, PINGRESP, DISCONNECT, AUTH = range(8, 16)

PINGRESP_BYTES = b"\xd0\x00"
HEAD_BYTES = 64
MORE = 0x80  # set in each byte of a length but its last

PropertyValue = int | str | bytes | tuple[str, str]
Properties = Mapping[int, PropertyValue]


class Reason(IntEnum):
    """Reason codes (section 2.4), those that a listener uses."""

    SUCCESS = 0x00
    DISCONNECT_WITH_WILL = 0x04
    NO_SUBSCRIPTION_EXISTED = 0x11
    MALFORMED_PACKET = 0x81
    PROTOCOL_ERROR = 0x82
    IMPLEMENTATION_SPECIFIC = 0x83
    UNSUPPORTED_VERSION = 0x84
    CLIENT_ID_NOT_VALID = 0x85
    BAD_USER_OR_PASSWORD = 0x86
    NOT_AUTHORIZED = 0x87
    SERVER_UNAVAILABLE = 0x88
    SERVER_BUSY = 0x89
    SERVER_SHUTTING_DOWN = 0x8B
    BAD_AUTHENTICATION_METHOD = 0x8C
    KEEP_ALIVE_TIMEOUT = 0x8D
    SESSION_TAKEN_OVER = 0x8E
    TOPIC_NAME_INVALID = 0x90
    PACKET_ID_NOT_FOUND = 0x92
    RECEIVE_MAXIMUM_EXCEEDED = 0x93
    TOPIC_ALIAS_INVALID = 0x94
    PACKET_TOO_LARGE = 0x95
    QUOTA_EXCEEDED = 0x97
    QOS_NOT_SUPPORTED = 0x9B
    SHARED_SUBSCRIPTIONS_NOT_SUPPORTED = 0x9E
    WILDCARD_SUBSCRIPTIONS_NOT_SUPPORTED = 0xA2


class ProtocolError(Exception):
    """What a client sent is not MQTT, or not allowed; its connection ends.

    `words` are fixed text without the client's data, so that errors can be counted by them.
    """

    def __init__(
        self, code: Reason, words: str, *, topic: str = "", head: bytes = b"", size_bytes: int = 0
    ) -> None:
        super().__init__(words)
        self.code = code
        self.words = words
        self.topic = topic
        self.head = head
        self.size_bytes = size_bytes


class Property(IntEnum):
    """Property identifiers (section 2.2.2.2), those that a listener reads or writes."""

    PAYLOAD_FORMAT = 0x01
    SESSION_EXPIRY = 0x11
    ASSIGNED_CLIENT_ID = 0x12
    SERVER_KEEP_ALIVE = 0x13
    AUTHENTICATION_METHOD = 0x15
    AUTHENTICATION_DATA = 0x16
    REQUEST_PROBLEM_INFORMATION = 0x17
    WILL_DELAY = 0x18
    REQUEST_RESPONSE_INFORMATION = 0x19
    REASON_STRING = 0x1F
    RECEIVE_MAXIMUM = 0x21
    TOPIC_ALIAS_MAXIMUM = 0x22
    TOPIC_ALIAS = 0x23
    MAXIMUM_QOS = 0x24
    RETAIN_AVAILABLE = 0x25
    USER_PROPERTY = 0x26
    MAXIMUM_PACKET_SIZE = 0x27
    WILDCARD_SUBSCRIPTION_AVAILABLE = 0x28
    SUBSCRIPTION_ID_AVAILABLE = 0x29
    SHARED_SUBSCRIPTION_AVAILABLE = 0x2A


_KINDS: Mapping[int, str] = {
    **dict.fromkeys((0x01, 0x17, 0x19, 0x24, 0x25, 0x28, 0x29, 0x2A), "u8"),
    **dict.fromkeys((0x13, 0x21, 0x22, 0x23), "u16"),
    **dict.fromkeys((0x02, 0x11, 0x18, 0x27), "u32"),
    **dict.fromkeys((0x03, 0x08, 0x12, 0x15, 0x1A, 0x1C, 0x1F), "text"),
    **dict.fromkeys((0x09, 0x16), "binary"),
    0x0B: "varint",
    0x26: "pair",
}

# what a client may send, by packet (table 2-4)
CONNECT_PROPERTIES = frozenset({0x11, 0x15, 0x16, 0x17, 0x19, 0x21, 0x22, 0x26, 0x27})
WILL_PROPERTIES = frozenset({0x01, 0x02, 0x03, 0x08, 0x09, 0x18, 0x26})
PUBLISH_PROPERTIES = frozenset({0x01, 0x02, 0x03, 0x08, 0x09, 0x23, 0x26})
SUBSCRIBE_PROPERTIES = frozenset({0x0B, 0x26})
UNSUBSCRIBE_PROPERTIES = frozenset({0x26})
DISCONNECT_PROPERTIES = frozenset({0x11, 0x1F, 0x26})
PUBREL_PROPERTIES = frozenset({0x1F, 0x26})

_NEVER_ZERO = frozenset({0x0B, 0x21, 0x27})
_ZERO_OR_ONE = frozenset({0x01, 0x17, 0x19})


class Reader:
    """Reads fields one after the other from part of a packet; never beyond its end."""

    def __init__(self, data: bytes, at: int, end: int) -> None:
        self.data = data
        self.at = at
        self.end = end

    def take(self, size: int) -> bytes:
        """Return the next `size` bytes."""
        start, self.at = self.at, self.at + size
        if self.at > self.end:
            raise ProtocolError(Reason.MALFORMED_PACKET, "a packet ends in mid-field")
        return self.data[start : self.at]

    def u8(self) -> int:
        """Return one byte."""
        return self.take(1)[0]

    def u16(self) -> int:
        """Return two bytes, big-endian."""
        return int.from_bytes(self.take(2), "big")

    def u32(self) -> int:
        """Return four bytes, big-endian."""
        return int.from_bytes(self.take(4), "big")

    def varint(self) -> int:
        """Return a variable byte integer (section 1.5.5)."""
        value = 0
        for shift in (0, 7, 14, 21):
            byte = self.u8()
            value |= (byte & 0x7F) << shift
            if byte < MORE:
                return value
        raise ProtocolError(Reason.MALFORMED_PACKET, "a length has more than four bytes")

    def binary(self) -> bytes:
        """Return length-prefixed bytes."""
        return self.take(self.u16())

    def text(self) -> str:
        """Return length-prefixed UTF-8; U+0000 and surrogates are not allowed (section 1.5.4)."""
        try:
            value = self.binary().decode()
        except UnicodeDecodeError as error:
            raise ProtocolError(Reason.MALFORMED_PACKET, "a text is not UTF-8") from error
        if "\0" in value:
            raise ProtocolError(Reason.MALFORMED_PACKET, "a text has U+0000 in it")
        return value

    def properties(self, allowed: frozenset[int]) -> dict[int, PropertyValue]:
        """Return a property list; user properties are checked but not kept."""
        length = self.varint()
        inner = Reader(self.data, self.at, self.at + length)
        self.take(length)
        found: dict[int, PropertyValue] = {}
        while inner.at < inner.end:
            key = inner.varint()
            if key not in _KINDS:
                raise ProtocolError(Reason.MALFORMED_PACKET, "a property that MQTT does not know")
            if key not in allowed or (key in found and key != Property.USER_PROPERTY):
                raise ProtocolError(Reason.PROTOCOL_ERROR, "a property twice or where it may not be")
            value = inner._value(key)
            if key != Property.USER_PROPERTY:
                found[key] = value
        return found

    def _value(self, key: int) -> PropertyValue:
        """Read one property's value; the few that have a range keep to it."""
        kind = _KINDS[key]
        if kind == "pair":
            return self.text(), self.text()
        value: PropertyValue = getattr(self, kind)()
        if (value == 0 and key in _NEVER_ZERO) or (key in _ZERO_OR_ONE and value not in (0, 1)):
            raise ProtocolError(Reason.PROTOCOL_ERROR, "a property has a value that is not allowed")
        return value

    def finish(self) -> None:
        """Check that nothing is left over."""
        if self.at != self.end:
            raise ProtocolError(Reason.MALFORMED_PACKET, "a packet is longer than its fields")


def varint_bytes(value: int) -> bytes:
    """Encode a variable byte integer, 0 to 268,435,455."""
    out = bytearray()
    while value >= MORE:
        out.append(value & 0x7F | MORE)
        value >>= 7
    out.append(value)
    return bytes(out)


def text_bytes(value: str) -> bytes:
    """Encode a length-prefixed UTF-8 string."""
    raw = value.encode()
    return struct.pack(">H", len(raw)) + raw


def property_bytes(properties: Properties) -> bytes:
    """Encode a property list with its length."""
    out = bytearray()
    for key, value in properties.items():
        out.append(key)
        if isinstance(value, str):
            out += text_bytes(value)
        elif isinstance(value, int):
            out += value.to_bytes({"u8": 1, "u16": 2, "u32": 4}[_KINDS[key]], "big")
        else:
            raise TypeError(f"property {key:#04x} is never sent by a server of ours")
    return varint_bytes(len(out)) + bytes(out)


def packet(kind: int, body: bytes, flags: int = 0) -> bytes:
    """Put the fixed header before a packet's body."""
    return bytes((kind << 4 | flags,)) + varint_bytes(len(body)) + body


# 3.1.1 knows five ways to refuse (its table 3.1); a client that deserves none of them is just closed
_OLD_RETURN_CODES: Mapping[Reason, int] = {
    Reason.SUCCESS: 0,
    Reason.UNSUPPORTED_VERSION: 1,
    Reason.CLIENT_ID_NOT_VALID: 2,
    Reason.SERVER_UNAVAILABLE: 3,
    Reason.SERVER_BUSY: 3,
    Reason.QUOTA_EXCEEDED: 3,
    Reason.BAD_USER_OR_PASSWORD: 4,
    Reason.NOT_AUTHORIZED: 5,
}


def connack(version: int, reason: Reason, properties: Properties, *, session_present: bool = False) -> bytes:
    """Answer a CONNECT; empty where MQTT 3.1.1 has no code for the reason."""
    if version == MQTT_5:
        return packet(CONNACK, bytes((session_present, reason)) + property_bytes(properties))
    code = _OLD_RETURN_CODES.get(reason)
    return b"" if code is None else packet(CONNACK, bytes((session_present, code)))


def pubacks(packet_ids: Sequence[int]) -> bytes:
    """Acknowledge many PUBLISHes at once; the same bytes in both versions.

    >>> pubacks([1, 258]).hex()
    '4002000140020102'
    """
    frames = array("I", [0x40020000 | packet_id for packet_id in packet_ids])
    if byteorder == "little":
        frames.byteswap()
    return frames.tobytes()


def puback(version: int, packet_id: int, reason: Reason) -> bytes:
    """Acknowledge one PUBLISH; MQTT 3.1.1 can't tell the sender that it was not taken."""
    body = struct.pack(">H", packet_id)
    return packet(PUBACK, body + bytes((reason,)) if version == MQTT_5 and reason else body)


def pubcomp(version: int, packet_id: int) -> bytes:
    """Answer a PUBREL, which can only belong to a session with someone else."""
    body = struct.pack(">H", packet_id)
    return packet(PUBCOMP, body + bytes((Reason.PACKET_ID_NOT_FOUND,)) if version == MQTT_5 else body)


def suback(version: int, packet_id: int, codes: Sequence[Reason], words: str) -> bytes:
    """Refuse every filter of a SUBSCRIBE; no `words`, no reason string."""
    body = struct.pack(">H", packet_id)
    if version != MQTT_5:
        return packet(SUBACK, body + b"\x80" * len(codes))
    return packet(SUBACK, body + _reason_string(words) + bytes(codes))


def unsuback(version: int, packet_id: int, filter_count: int) -> bytes:
    """Answer an UNSUBSCRIBE: there was nothing to unsubscribe from."""
    body = struct.pack(">H", packet_id)
    if version != MQTT_5:
        return packet(UNSUBACK, body)
    return packet(UNSUBACK, body + b"\x00" + bytes((Reason.NO_SUBSCRIPTION_EXISTED,)) * filter_count)


def disconnect(reason: Reason, words: str) -> bytes:
    """Say goodbye and why (MQTT 5 only)."""
    return packet(DISCONNECT, bytes((reason,)) + _reason_string(words))


def _reason_string(words: str) -> bytes:
    return property_bytes({Property.REASON_STRING: words} if words else {})
