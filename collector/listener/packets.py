"""The packets that a client sends, read from their bytes. Pure."""

from dataclasses import dataclass

from collector.listener.wire import (
    CONNECT_PROPERTIES,
    DISCONNECT_PROPERTIES,
    MQTT_3_1_1,
    MQTT_5,
    PUBREL_PROPERTIES,
    SUBSCRIBE_PROPERTIES,
    UNSUBSCRIBE_PROPERTIES,
    WILL_PROPERTIES,
    Property,
    PropertyValue,
    ProtocolError,
    Reader,
    Reason,
)

_USER, _PASSWORD, _WILL_RETAIN, _WILL, _CLEAN = 0x80, 0x40, 0x20, 0x04, 0x02
_HIGHEST_QOS = 2
NEVER_EXPIRES = 0xFFFF_FFFF


Publish = tuple[str, bytes, int, bool, int]
"""A message: topic, payload, QoS, DUP and packet id. Plain, since tens of thousands are made each second."""


@dataclass(frozen=True, slots=True)
class Oversized:
    """A PUBLISH whose payload was skipped, but for its head; it has arrived to its end."""

    topic: str
    head: bytes
    size_bytes: int
    qos: int
    packet_id: int


@dataclass(frozen=True, slots=True)
class Will:
    """The message that a client leaves for when it dies."""

    topic: str
    payload: bytes
    delay_s: int


@dataclass(frozen=True, slots=True)
class Connect:
    """A client introduces itself. The password never shows in a repr."""

    version: int
    client_id: str
    clean_start: bool
    keep_alive_s: int
    session_expiry_s: int
    will: Will | None
    user: str | None
    password: bytes | None
    wants_reasons: bool
    max_packet_bytes: int
    has_authentication_method: bool

    def __repr__(self) -> str:
        return f"Connect(client_id={self.client_id!r}, user={self.user!r})"


@dataclass(frozen=True, slots=True)
class Subscribe:
    """A client asks for messages."""

    packet_id: int
    filters: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Unsubscribe:
    """A client takes back its asking."""

    packet_id: int
    filter_count: int


@dataclass(frozen=True, slots=True)
class Release:
    """A PUBREL, left over from a QoS 2 session with a broker."""

    packet_id: int


@dataclass(frozen=True, slots=True)
class Ping:
    """A client shows that it is alive."""


@dataclass(frozen=True, slots=True)
class Goodbye:
    """A client leaves; `with_will` where it wants its will sent all the same."""

    with_will: bool
    session_expiry_s: int | None


Packet = Publish | Oversized | Connect | Subscribe | Unsubscribe | Release | Ping | Goodbye


def _number(properties: dict[int, PropertyValue], key: Property, default: int) -> int:
    value = properties.get(key, default)
    return value if isinstance(value, int) else default


def check_topic(raw: bytes) -> str:
    """Return the topic name in `raw`, which may have no wildcard and no U+0000 (section 4.7)."""
    try:
        topic = raw.decode()
    except UnicodeDecodeError as error:
        shown = raw.decode(errors="backslashreplace")
        raise ProtocolError(Reason.MALFORMED_PACKET, "the topic is not UTF-8", topic=shown) from error
    if "\0" in topic:
        raise ProtocolError(Reason.MALFORMED_PACKET, "the topic has U+0000 in it", topic=topic)
    if not topic:
        raise ProtocolError(Reason.TOPIC_NAME_INVALID, "the topic is empty")
    if "+" in topic or "#" in topic:
        raise ProtocolError(Reason.TOPIC_NAME_INVALID, "the topic has a wildcard (+ or #) in it", topic=topic)
    return topic


def read_version(reader: Reader) -> int:
    """Return the protocol level that a CONNECT asks for; 3 is MQTT 3.1 under its old name."""
    name = reader.binary()
    if name not in (b"MQTT", b"MQIsdp"):
        raise ProtocolError(Reason.MALFORMED_PACKET, "not MQTT: a CONNECT with another protocol's name")
    return reader.u8()


def read_connect(reader: Reader, version: int) -> Connect:
    """Read a CONNECT after its protocol level (section 3.1)."""
    flags = reader.u8()
    keep_alive_s = reader.u16()
    properties = reader.properties(CONNECT_PROPERTIES) if version == MQTT_5 else {}
    _check_flags(flags, version)
    if Property.AUTHENTICATION_DATA in properties and Property.AUTHENTICATION_METHOD not in properties:
        raise ProtocolError(Reason.PROTOCOL_ERROR, "authentication data without a method")
    client_id = reader.text()
    will = _read_will(reader, version) if flags & _WILL else None
    user = reader.text() if flags & _USER else None
    password = reader.binary() if flags & _PASSWORD else None
    reader.finish()
    clean = bool(flags & _CLEAN)
    old_expiry_s = 0 if clean else NEVER_EXPIRES
    return Connect(
        version=version,
        client_id=client_id,
        clean_start=clean,
        keep_alive_s=keep_alive_s,
        session_expiry_s=_number(properties, Property.SESSION_EXPIRY, 0)
        if version == MQTT_5
        else old_expiry_s,
        will=will,
        user=user,
        password=password,
        wants_reasons=_number(properties, Property.REQUEST_PROBLEM_INFORMATION, 1) == 1,
        max_packet_bytes=_number(properties, Property.MAXIMUM_PACKET_SIZE, NEVER_EXPIRES),
        has_authentication_method=Property.AUTHENTICATION_METHOD in properties,
    )


def _check_flags(flags: int, version: int) -> None:
    if flags & 0x01:
        raise ProtocolError(Reason.MALFORMED_PACKET, "a CONNECT with its reserved flag set")
    will_qos = flags >> 3 & 3
    if will_qos > _HIGHEST_QOS or (not flags & _WILL and (will_qos or flags & _WILL_RETAIN)):
        raise ProtocolError(Reason.MALFORMED_PACKET, "a CONNECT whose flags of the will disagree")
    if will_qos == _HIGHEST_QOS and version == MQTT_5:
        raise ProtocolError(Reason.QOS_NOT_SUPPORTED, "a will at QoS 2; use QoS 0 or 1")
    if version == MQTT_3_1_1 and flags & _PASSWORD and not flags & _USER:
        raise ProtocolError(Reason.MALFORMED_PACKET, "a CONNECT with a password but no user")


def _read_will(reader: Reader, version: int) -> Will:
    properties = reader.properties(WILL_PROPERTIES) if version == MQTT_5 else {}
    topic = check_topic(reader.binary())
    return Will(topic, reader.binary(), _number(properties, Property.WILL_DELAY, 0))


def read_subscribe(reader: Reader, version: int) -> Subscribe:
    """Read a SUBSCRIBE (section 3.8)."""
    packet_id = read_packet_id(reader)
    if version == MQTT_5:
        reader.properties(SUBSCRIBE_PROPERTIES)
    reserved, highest = (0xC0, 0x2F) if version == MQTT_5 else (0xFC, _HIGHEST_QOS)
    filters = []
    while reader.at < reader.end:
        filters.append(reader.text())
        options = reader.u8()
        if options & reserved or options > highest or options & 3 > _HIGHEST_QOS:
            raise ProtocolError(Reason.MALFORMED_PACKET, "a SUBSCRIBE with options that MQTT does not know")
    if not filters:
        raise ProtocolError(Reason.PROTOCOL_ERROR, "a SUBSCRIBE without a filter")
    return Subscribe(packet_id, tuple(filters))


def read_unsubscribe(reader: Reader, version: int) -> Unsubscribe:
    """Read an UNSUBSCRIBE (section 3.10)."""
    packet_id = read_packet_id(reader)
    if version == MQTT_5:
        reader.properties(UNSUBSCRIBE_PROPERTIES)
    count = 0
    while reader.at < reader.end:
        reader.text()
        count += 1
    if not count:
        raise ProtocolError(Reason.PROTOCOL_ERROR, "an UNSUBSCRIBE without a filter")
    return Unsubscribe(packet_id, count)


def read_release(reader: Reader, version: int) -> Release:
    """Read a PUBREL (section 3.6)."""
    packet_id = read_packet_id(reader)
    if version == MQTT_5 and reader.at < reader.end:
        reader.u8()
        if reader.at < reader.end:
            reader.properties(PUBREL_PROPERTIES)
    reader.finish()
    return Release(packet_id)


def read_ping(reader: Reader, _version: int) -> Ping:
    """Read a PINGREQ, which is empty (section 3.12)."""
    reader.finish()
    return Ping()


def read_goodbye(reader: Reader, version: int) -> Goodbye:
    """Read a DISCONNECT (section 3.14)."""
    reason, properties = 0, {}
    if version == MQTT_5 and reader.at < reader.end:
        reason = reader.u8()
        if reader.at < reader.end:
            properties = reader.properties(DISCONNECT_PROPERTIES)
    reader.finish()
    expiry = properties.get(Property.SESSION_EXPIRY)
    return Goodbye(reason == Reason.DISCONNECT_WITH_WILL, expiry if isinstance(expiry, int) else None)


def read_packet_id(reader: Reader) -> int:
    """Return a packet identifier, which is never 0 (section 2.2.1)."""
    packet_id = reader.u16()
    if not packet_id:
        raise ProtocolError(Reason.PROTOCOL_ERROR, "a packet identifier of 0")
    return packet_id
