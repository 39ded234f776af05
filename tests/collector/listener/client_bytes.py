"""What MQTT clients send, encoded here on its own after OASIS MQTT 3.1.1 and 5.0."""

import struct


def length(value: int) -> bytes:
    """Return a variable byte integer (MQTT 5.0 section 1.5.5)."""
    out = b""
    while True:
        value, digit = divmod(value, 128)
        out += bytes([digit | (0x80 if value else 0)])
        if not value:
            return out


def text(value: str | bytes) -> bytes:
    """Return length-prefixed bytes."""
    raw = value.encode() if isinstance(value, str) else value
    return struct.pack(">H", len(raw)) + raw


def packet(first: int, body: bytes) -> bytes:
    """Return a packet with its fixed header."""
    return bytes([first]) + length(len(body)) + body


def connect(
    version: int = 4,
    client_id: str = "node",
    *,
    keep_alive_s: int = 60,
    clean: bool = True,
    user: str | None = None,
    password: bytes | None = None,
    will: tuple[str, bytes] | None = None,
    will_qos: int = 0,
    properties: bytes = b"",
    will_properties: bytes = b"",
) -> bytes:
    """Return a CONNECT."""
    flags = (2 if clean else 0) | (4 | will_qos << 3 if will else 0)
    flags |= (0x80 if user is not None else 0) | (0x40 if password is not None else 0)
    body = text("MQTT") + bytes([version, flags]) + struct.pack(">H", keep_alive_s)
    if version == 5:
        body += length(len(properties)) + properties
    body += text(client_id)
    if will:
        if version == 5:
            body += length(len(will_properties)) + will_properties
        body += text(will[0]) + text(will[1])
    if user is not None:
        body += text(user)
    if password is not None:
        body += text(password)
    return packet(0x10, body)


def publish(
    topic: str | bytes,
    payload: bytes,
    *,
    version: int = 4,
    qos: int = 0,
    packet_id: int = 1,
    duplicate: bool = False,
    retain: bool = False,
    properties: bytes = b"",
) -> bytes:
    """Return a PUBLISH."""
    body = text(topic) + (struct.pack(">H", packet_id) if qos else b"")
    if version == 5:
        body += length(len(properties)) + properties
    return packet(0x30 | duplicate << 3 | qos << 1 | retain, body + payload)


def subscribe(*filters: str, version: int = 4, packet_id: int = 7) -> bytes:
    """Return a SUBSCRIBE at QoS 1."""
    body = struct.pack(">H", packet_id) + (b"\0" if version == 5 else b"")
    return packet(0x82, body + b"".join(text(f) + b"\x01" for f in filters))


def unsubscribe(*filters: str, version: int = 4, packet_id: int = 8) -> bytes:
    """Return an UNSUBSCRIBE."""
    body = struct.pack(">H", packet_id) + (b"\0" if version == 5 else b"")
    return packet(0xA2, body + b"".join(text(f) for f in filters))


PING = b"\xc0\x00"
DISCONNECT = b"\xe0\x00"
