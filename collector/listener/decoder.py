"""A client's stream of bytes, cut into packets. Pure: no sockets, no clock."""

from collections.abc import Callable, Mapping

from collector.listener.packets import (
    Oversized,
    Packet,
    Publish,
    check_topic,
    read_connect,
    read_goodbye,
    read_ping,
    read_release,
    read_subscribe,
    read_unsubscribe,
    read_version,
)
from collector.listener.wire import (
    CONNECT,
    DISCONNECT,
    HEAD_BYTES,
    MORE,
    MQTT_3_1_1,
    MQTT_5,
    PINGREQ,
    PUBLISH,
    PUBLISH_PROPERTIES,
    PUBREL,
    SUBSCRIBE,
    UNSUBSCRIBE,
    Property,
    ProtocolError,
    Reader,
    Reason,
)

MAX_CONTROL_BYTES = 65_536  # of a CONNECT, a SUBSCRIBE, a property list; clients need far less
_READERS: Mapping[int, Callable[[Reader, int], Packet]] = {
    SUBSCRIBE: read_subscribe,
    UNSUBSCRIBE: read_unsubscribe,
    PUBREL: read_release,
    PINGREQ: read_ping,
    DISCONNECT: read_goodbye,
}
_FLAGS = {CONNECT: 0, PUBREL: 2, SUBSCRIBE: 2, UNSUBSCRIBE: 2, PINGREQ: 0, DISCONNECT: 0}
_TLS_HANDSHAKE = 0x16
_DUPLICATE = 0x08
_REMEMBERED_TOPICS = 20_000
_REMEMBERED_TOPIC_BYTES = 256


class Decoder:
    """Cuts one client's stream into packets, however the network fragmented it.

    Holds at most one incomplete packet: `max_payload_bytes`, a topic and a property list. A
    PUBLISH beyond that is skipped as it comes in. `topics` remembers topics already checked
    and may be shared between decoders.
    """

    def __init__(self, max_payload_bytes: int, topics: dict[bytes, str]) -> None:
        self.version = 0  # until the CONNECT
        self._max_payload_bytes = max_payload_bytes
        self._topics = topics
        self._pending = bytearray()
        self._need = 1  # bytes that `_pending` must hold before it is worth looking at
        self._skip = 0  # bytes still to come of an oversized PUBLISH
        self._skipped: Oversized | None = None

    @property
    def in_mid_packet(self) -> bool:
        """Whether a packet has begun and not ended."""
        return bool(self._pending) or self._skipped is not None

    def feed(self, data: bytes, out: list[Packet]) -> None:
        """Append to `out` every packet that `data` completes.

        Raises
        ------
        ProtocolError
            At the first bad packet; those before it are in `out`. Feed nothing more then.
        """
        if self._pending:
            # joined only when it completes something, or a slow sender costs quadratic time
            self._pending += data
            if len(self._pending) < self._need:
                return
            data = bytes(self._pending)
            self._pending.clear()
        at = 0
        if self._skipped is not None:
            at = self._skip_on(data, out)
        size = len(data)
        while at < size:
            after = self._one(data, at, size, out)
            if after < 0:
                self._pending += memoryview(data)[at:]
                break
            at = after

    def _one(self, data: bytes, at: int, size: int, out: list[Packet]) -> int:
        """Read the packet at `at`; return where the next begins, or -1 (and set `_need`)."""
        first = data[at]
        if not self.version and first != CONNECT << 4:
            raise _not_mqtt(data[at : at + HEAD_BYTES])
        start = at + 2
        if start > size:
            self._need = 2
            return -1
        length = data[at + 1]
        if length >= MORE:
            length, start = self._long_length(data, at + 1, at)
            if length < 0:
                return -1
        end = start + length
        if length > self._max_payload_bytes and first >> 4 == PUBLISH:
            return self._large(data, at, start, end, out)
        if first >> 4 != PUBLISH and length > MAX_CONTROL_BYTES:
            raise ProtocolError(Reason.PACKET_TOO_LARGE, "a packet that is not a PUBLISH, but as large")
        if end > size:
            self._need = end - at
            return -1
        if first >> 4 == PUBLISH:
            out.append(self._publish(first, data, start, end))
        else:
            out.append(self._control(first, Reader(data, start, end)))
        return end

    def _long_length(self, data: bytes, at: int, packet_at: int) -> tuple[int, int]:
        """Return the length at `at` and where it ends; or -1 (and set `_need`) if it is still to come."""
        length = 0
        for i in range(4):
            if at + i >= len(data):
                self._need = at + i + 1 - packet_at
                return -1, 0
            byte = data[at + i]
            length |= (byte & 0x7F) << 7 * i
            if byte < MORE:
                return length, at + i + 1
        raise ProtocolError(Reason.MALFORMED_PACKET, "a length has more than four bytes")

    def _publish(self, first: int, data: bytes, start: int, end: int) -> Publish:
        topic_end = start + 2
        if topic_end <= end:
            topic_end += data[start] << 8 | data[start + 1]
        qos = first >> 1 & 3
        at = topic_end + 2 if qos else topic_end
        if at > end:
            raise ProtocolError(Reason.MALFORMED_PACKET, "a packet ends in mid-field")
        packet_id = data[topic_end] << 8 | data[topic_end + 1] if qos else 0
        if qos > 1 or (qos and not packet_id) or first & 0x0E == _DUPLICATE:
            raise self._bad_publish(first, data, start, end)
        raw = data[start + 2 : topic_end]
        if self.version == MQTT_5:
            at = self._publish_properties(data, at, end, raw)
        topic = self._topics.get(raw) or self._new_topic(raw, data[at:end])
        return topic, data[at:end], qos, first & _DUPLICATE != 0, packet_id

    def _publish_properties(self, data: bytes, at: int, end: int, raw_topic: bytes) -> int:
        """Check the property list of a PUBLISH; return where its payload begins."""
        if at < end and not data[at]:
            return at + 1
        reader = Reader(data, at, end)
        if Property.TOPIC_ALIAS in reader.properties(PUBLISH_PROPERTIES):
            raise ProtocolError(
                Reason.TOPIC_ALIAS_INVALID,
                "a topic alias, of which none was allowed",
                topic=raw_topic.decode(errors="backslashreplace"),
            )
        return reader.at

    def _new_topic(self, raw: bytes, payload: bytes) -> str:
        try:
            topic = check_topic(raw)
        except ProtocolError as error:
            error.head, error.size_bytes = payload[:HEAD_BYTES], len(payload)
            raise
        if len(raw) <= _REMEMBERED_TOPIC_BYTES:
            if len(self._topics) >= _REMEMBERED_TOPICS:
                self._topics.clear()
            self._topics[raw] = topic
        return topic

    @staticmethod
    def _bad_publish(first: int, data: bytes, start: int, end: int) -> ProtocolError:
        """Say what is wrong with the flags of a PUBLISH."""
        code, words = {
            0: (Reason.PROTOCOL_ERROR, "a message at QoS 0 that claims to be a duplicate"),
            1: (Reason.PROTOCOL_ERROR, "a packet identifier of 0"),
            2: (Reason.QOS_NOT_SUPPORTED, "a message at QoS 2; publish at QoS 0 or 1"),
            3: (Reason.MALFORMED_PACKET, "a message at QoS 3, which MQTT does not have"),
        }[first >> 1 & 3]
        topic = Reader(data, start, end).binary().decode(errors="backslashreplace")
        return ProtocolError(code, words, topic=topic, size_bytes=end - start)

    def _large(self, data: bytes, at: int, start: int, end: int, out: list[Packet]) -> int:
        """Read a PUBLISH that may be over the limit; if its payload is, begin to skip it."""
        payload_start = self._payload_start(data, at, start, end)
        if payload_start < 0:
            return -1
        first, size_bytes = data[at], end - payload_start
        if size_bytes <= self._max_payload_bytes:  # long only by its topic or properties
            if end > len(data):
                self._need = end - at
                return -1
            out.append(self._publish(first, data, start, end))
            return end
        if payload_start + HEAD_BYTES > len(data):
            self._need = payload_start + HEAD_BYTES - at
            return -1
        try:
            topic, head, qos, _, packet_id = self._publish(first, data, start, payload_start + HEAD_BYTES)
        except ProtocolError as error:
            error.size_bytes = size_bytes
            raise
        self._skipped = Oversized(topic, head, size_bytes, qos, packet_id)
        self._skip = end - start
        return start + self._skip_on(memoryview(data)[start:], out)

    def _payload_start(self, data: bytes, at: int, start: int, end: int) -> int:
        """Return where a PUBLISH's payload begins, or -1 (and set `_need`) if that is still to come."""
        if start + 2 > len(data):
            self._need = start + 2 - at
            return -1
        found = start + 2 + (data[start] << 8 | data[start + 1]) + (2 if data[at] & 0x06 else 0)
        if self.version == MQTT_5:
            length, properties_start = self._long_length(data, found, at)
            if length < 0:
                return -1
            if length > MAX_CONTROL_BYTES:
                raise ProtocolError(Reason.PACKET_TOO_LARGE, "a message with very long properties")
            found = properties_start + length
        if found > end:
            raise ProtocolError(Reason.MALFORMED_PACKET, "a packet ends in mid-field")
        return found

    def _skip_on(self, data: bytes | memoryview, out: list[Packet]) -> int:
        """Pass over what belongs to an oversized PUBLISH; return where the next packet begins."""
        if self._skip > len(data):
            self._skip -= len(data)
            return len(data)
        if self._skipped is not None:
            out.append(self._skipped)
        after, self._skip, self._skipped = self._skip, 0, None
        return after

    def _control(self, first: int, reader: Reader) -> Packet:
        """Read any packet but a PUBLISH."""
        kind = first >> 4
        if first & 0x0F != _FLAGS.get(kind, first & 0x0F):
            raise ProtocolError(Reason.MALFORMED_PACKET, "a packet with reserved flags set")
        if kind == CONNECT:
            return self._connect(reader)
        if kind not in _READERS:
            raise ProtocolError(Reason.PROTOCOL_ERROR, "a packet that a client has no reason to send")
        return _READERS[kind](reader, self.version)

    def _connect(self, reader: Reader) -> Packet:
        if self.version:
            raise ProtocolError(Reason.PROTOCOL_ERROR, "a second CONNECT")
        level = read_version(reader)
        self.version = MQTT_5 if level >= MQTT_5 else MQTT_3_1_1  # how to say no, if no it is
        if level not in (MQTT_3_1_1, MQTT_5):
            raise ProtocolError(Reason.UNSUPPORTED_VERSION, "an MQTT version other than 3.1.1 and 5")
        return read_connect(reader, self.version)


def _not_mqtt(head: bytes) -> ProtocolError:
    words = "not MQTT: the first packet is no CONNECT"
    if head[0] == _TLS_HANDSHAKE:
        words = "a TLS handshake on a port without TLS"
    return ProtocolError(Reason.PROTOCOL_ERROR, words, head=head, size_bytes=len(head))
