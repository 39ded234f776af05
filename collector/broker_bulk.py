"""The quick way through paho: many messages from one read, many acknowledgements in one write.

paho reads each packet with three system calls and dispatches it through several layers;
after an outage that is the time until the shed is known again. Here paho still connects,
logs in, encrypts, subscribes and keeps alive, but PUBLISH packets are taken from the
socket in bulk and only the others are handed to it, through one seam: its private
`_sock_recv`. The seam is used only with versions it was tried with, only if it looks as
it did there, and it is checked anew with every packet; otherwise `StockWire` serves.
"""

import logging
import ssl
import struct
from typing import ClassVar, cast

import paho.mqtt
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode, MQTTProtocolVersion

from collector.broker_wire import (
    HEAD_BYTES,
    MAX_PAYLOAD_BYTES,
    TOO_LARGE,
    Deliveries,
    Publish,
    StockWire,
    Wire,
    WireError,
    take_from_paho,
    tls_pending,
)

_log = logging.getLogger(__name__)
_TRIED = ("2.1", "2.2")
_CHUNK_BYTES = 65_536
_CHUNKS_PER_BURST = 4
_PUBACK = 0x4002  # type and length; the packet id follows (MQTT 5.0, section 3.4: no reason is success)
_LENGTH_BYTES = 4
# beyond this a packet is not gathered: the largest topic, packet id, and properties as long as a topic
_GATHER_BYTES = MAX_PAYLOAD_BYTES + 2 * 65_537
_HEADER_BYTES = 2 * 65_537 + HEAD_BYTES


class _FedClient(Client):
    """A paho client that reads from `fed` instead of its socket."""

    fed = b""

    def _sock_recv(self, bufsize: int) -> bytes:
        if not self.fed:
            raise BlockingIOError
        data, self.fed = self.fed[:bufsize], self.fed[bufsize:]
        return data


def best_wire() -> type[Wire]:
    """Return the bulk wire where paho is as it was when tried, and the stock wire elsewhere."""
    version = paho.mqtt.__version__
    reader = getattr(Client, "_packet_read", None)
    seam = getattr(Client, "_sock_recv", None)
    names = getattr(getattr(seam, "__code__", None), "co_varnames", ())
    used = getattr(getattr(reader, "__code__", None), "co_names", ())
    tried = ".".join(version.split(".")[:2]) in _TRIED
    if tried and names[:2] == ("self", "bufsize") and "_sock_recv" in used:
        return BulkWire
    _log.info("paho-mqtt %s is not known well enough to read in bulk; using its own reader", version)
    return StockWire


class BulkWire:
    """PUBLISH packets parsed in bulk, PUBACKs joined; all else through paho."""

    client_class: ClassVar[type[Client]] = _FedClient

    def __init__(self, client: Client, deliveries: Deliveries) -> None:
        self.client = client
        self.deliveries = deliveries
        self._mqtt5 = client.protocol == MQTTProtocolVersion.MQTTv5
        self._rest = b""
        self._skip_bytes = 0
        self._skipped_id = 0
        client.on_message = self._on_message

    def read(self) -> MQTTErrorCode:
        """Take in what the socket has, up to a bounded burst."""
        try:
            for _ in range(_CHUNKS_PER_BURST):
                chunk = self._receive()
                if chunk is None:
                    break
                code = self._parse(chunk) if chunk else MQTTErrorCode.MQTT_ERR_CONN_LOST
                if code or self.client.socket() is None:
                    return code
                if len(chunk) < _CHUNK_BYTES and not self.pending():
                    break
        except (OSError, WireError):
            raise
        except Exception as error:
            raise WireError(f"reading in bulk failed ({error!r}); using paho's own reader") from error
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def pending(self) -> bool:
        """Say whether TLS holds decrypted bytes."""
        return tls_pending(self.client)

    def acknowledge(self) -> bytes:
        """Return the PUBACKs of all that is settled, joined."""
        deliveries = self.deliveries
        if deliveries.exactly_once:
            for packet_id in deliveries.exactly_once.intersection(deliveries.settled):
                self.client.ack(packet_id, 2)
                deliveries.settled.remove(packet_id)
                deliveries.exactly_once.remove(packet_id)
        words = [_PUBACK] * (2 * len(deliveries.settled))
        words[1::2] = deliveries.settled
        deliveries.settled.clear()
        return struct.pack(f"!{len(words)}H", *words)

    def _receive(self) -> bytes | None:
        """Return bytes of the socket, none at its end, None if there is nothing yet."""
        sock = self.client.socket()
        if sock is None:
            return b""
        try:
            return sock.recv(_CHUNK_BYTES)
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            return None

    def _parse(self, chunk: bytes) -> MQTTErrorCode:
        """Take all whole packets of what has come in; keep the rest."""
        data, at = self._rest + chunk, 0
        if self._skip_bytes:
            at = self._skip(len(data))
        while True:
            found: list[Publish] = []
            at = scan_publishes(data, at, self._mqtt5, found)
            if found:
                self.deliveries.take(found)
            end = packet_end(data, at)
            if end < 0:
                return MQTTErrorCode.MQTT_ERR_PROTOCOL
            if not at < end <= len(data):
                break
            code = self._feed(data[at:end])
            if code or self.client.socket() is None:
                return code
            at = end
        if end - at > _GATHER_BYTES and len(data) - at >= _HEADER_BYTES:
            at = self._begin_skip(data, at, end)
        self._rest = data[at:]
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _feed(self, packet: bytes) -> MQTTErrorCode:
        """Let paho handle one packet, and make sure that it read just that."""
        client = cast("_FedClient", self.client)
        client.fed = packet
        code = client.loop_read()
        if client.fed:
            raise WireError("paho does not read as it was known to; using its own reader")
        return code

    def _begin_skip(self, data: bytes, at: int, end: int) -> int:
        """Put a packet beyond the limit aside by its head; its body is thrown away as it comes."""
        body = at + 1
        while data[body] & 0x80:
            body += 1
        publish = publish_at(data, at, body + 1, end, self._mqtt5)
        if data[at] & 0xF4 != 0x30 or publish is None:  # noqa: PLR2004  PUBLISH at QoS 0 or 1
            raise WireError("a packet beyond the limit is no message; using paho's own reader")
        _, topic, packet_id, head = publish
        self.deliveries.put_aside(topic, 0, head, len(head) + end - len(data), TOO_LARGE)
        self._skip_bytes, self._skipped_id = end - len(data), packet_id
        return len(data)

    def _skip(self, size: int) -> int:
        """Throw away; at the packet's end it is settled, since it must never return."""
        thrown = min(size, self._skip_bytes)
        self._skip_bytes -= thrown
        if not self._skip_bytes and self._skipped_id:
            self.deliveries.settled.append(self._skipped_id)
        return thrown

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        take_from_paho(self.deliveries, message)


def scan_publishes(data: bytes, at: int, mqtt5: bool, found: list[Publish]) -> int:  # noqa: FBT001
    """Append the whole QoS 0 and 1 PUBLISH packets that begin at `at`; return where they stop.

    It stops before a packet of another kind, a malformed one and one that is not yet all there.
    """
    size = len(data)
    append = found.append
    while at + 1 < size and data[at] & 0xF4 == 0x30:  # noqa: PLR2004  PUBLISH at QoS 0 or 1
        length = data[at + 1]
        body = at + 2
        if length & 0x80:
            end = packet_end(data, at)
            if not at < end <= size:
                return at
            body = at + 3
            while data[body - 1] & 0x80:
                body += 1
        else:
            end = body + length
            if end > size:
                return at
        publish = publish_at(data, at, body, end, mqtt5)
        if publish is None:
            return at
        append(publish)
        at = end
    return at


def publish_at(data: bytes, at: int, body: int, end: int, mqtt5: bool) -> Publish | None:  # noqa: FBT001
    """Return the PUBLISH whose variable header begins at `body`; None if it is malformed."""
    first = data[at]
    topic_end = body + 2
    if topic_end > end:
        return None
    topic_end += data[body] << 8 | data[body + 1]
    payload = topic_end + 2 if first & 2 else topic_end
    if payload > end or (mqtt5 and payload >= end):
        return None
    packet_id = data[topic_end] << 8 | data[topic_end + 1] if first & 2 else 0
    if mqtt5:
        properties = data[payload]
        payload += 1
        if properties & 0x80:
            payload, properties = _long_properties(data, payload - 1, end)
        payload += properties
        if payload > end:
            return None
    return first, data[body + 2 : topic_end], packet_id, data[payload:end]


def _long_properties(data: bytes, at: int, end: int) -> tuple[int, int]:
    """Read a property length of several bytes: where it ends, and the length; beyond `end` if malformed."""
    length = 0
    for i in range(_LENGTH_BYTES):
        if at + i >= end:
            break
        length |= (data[at + i] & 0x7F) << 7 * i
        if not data[at + i] & 0x80:
            return at + i + 1, length
    return end + 1, 0


def packet_end(data: bytes, at: int) -> int:
    """Return where the packet at `at` ends, even beyond `data`.

    `at` itself if that cannot be known yet; -1 if the length is malformed.
    """
    length = 0
    for i in range(_LENGTH_BYTES):
        digit_at = at + 1 + i
        if digit_at >= len(data):
            return at
        length |= (data[digit_at] & 0x7F) << 7 * i
        if not data[digit_at] & 0x80:
            return digit_at + 1 + length
    return -1
