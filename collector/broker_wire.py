"""Messages in and acknowledgements out of one connection to the broker, through stock paho."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import ClassVar, Protocol, cast

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode

from collector.clock import Clock
from collector.domain import Rejected
from collector.source import Message

MAX_PAYLOAD_BYTES = 262_144  # the listener's default limit; a reading is some dozens of bytes
HEAD_BYTES = 256
TOO_LARGE = f"payload is larger than {MAX_PAYLOAD_BYTES} bytes"
BAD_TOPIC = "topic is not UTF-8"
_BURST = 1000
_TOPICS_KNOWN = 20_000
# flags of a PUBLISH's first byte (MQTT 3.1.1 and 5.0, section 3.3.1)
_RETAINED, _ASSURED, _DUPLICATE = 0x01, 0x02, 0x08
_MICROSECOND = timedelta(microseconds=1)
_SECOND = timedelta(seconds=1)

# A connection's generation, the broker's packet id, and a serial that no two deliveries share.
Token = tuple[int, int, int]
# A PUBLISH: its first byte, topic as sent, packet id (0 at QoS 0), payload.
Publish = tuple[int, bytes, int, bytes]


class Deliveries:
    """What one connection has delivered and the broker has not yet been told is on disk.

    A broker that restarts counts its packet ids from 1 again, so an acknowledgement kept
    over from an earlier connection would make it drop a message that nobody has stored.
    Only a token of this generation, whose own delivery is still open, becomes a PUBACK.
    """

    def __init__(self, generation: int, sender: str, clock: Clock) -> None:
        self.generation = generation
        self.sender = sender
        self.open: dict[int, int] = {}
        self.exactly_once: set[int] = set()
        self.messages: list[Message] = []
        self.rejected: list[Rejected] = []
        self.settled: list[int] = []
        self.serial = 0
        self._topics: dict[bytes, str] = {}
        self._clock = clock
        self._last_at = datetime.min.replace(tzinfo=clock.now().tzinfo)

    def received_at(self) -> datetime:
        """Return the time for the first of the messages at hand; the others follow by a microsecond each.

        No two share one, or two readings that carry no time of their own would have one key
        and the store would keep only the first. A clock set back is followed, not held up.
        """
        now = self._clock.now()
        return self._last_at if timedelta(0) <= self._last_at - now < _SECOND else now

    def take(self, found: Iterable[Publish]) -> None:
        """Take messages; what intake could never store is put aside, and settled so that it never returns."""
        topics, still_open, generation, sender = self._topics, self.open, self.generation, self.sender
        serial, at, append = self.serial, self.received_at(), self.messages.append
        for first, raw_topic, packet_id, payload in found:
            topic = topics.get(raw_topic) or self._topic(raw_topic)
            if topic is None or len(payload) > MAX_PAYLOAD_BYTES:
                reason = BAD_TOPIC if topic is None else TOO_LARGE
                self.put_aside(raw_topic, packet_id, payload, len(payload), reason)
                continue
            token = None
            if first & _ASSURED:
                serial += 1
                still_open[packet_id] = serial
                token = (generation, packet_id, serial)
            retained, duplicate = first & _RETAINED != 0, first & _DUPLICATE != 0
            append(Message(topic, payload, at, token, retained, duplicate, sender, packet_id))
            at += _MICROSECOND
        self.serial, self._last_at = serial, at

    def _topic(self, raw: bytes) -> str | None:
        """Decode a topic once; the memory of them is bounded, as topics are the sender's choice."""
        try:
            topic = raw.decode()
        except UnicodeDecodeError:
            return None
        if len(self._topics) >= _TOPICS_KNOWN:
            self._topics.clear()
        self._topics[raw] = topic
        return topic

    def put_aside(self, raw_topic: bytes, packet_id: int, head: bytes, size_bytes: int, reason: str) -> None:
        """Keep the head of what is no message for intake, with its reason, and settle it."""
        topic = raw_topic.decode("utf-8", "backslashreplace")
        at = self._clock.now()
        self.rejected.append(Rejected(at, self.sender, topic, reason, head[:HEAD_BYTES], size_bytes))
        if packet_id:
            self.settled.append(packet_id)

    def settle(self, tokens: Iterable[object]) -> None:
        """Mark what may be acknowledged; tokens of other connections, and second ones, are dropped."""
        still_open = self.open
        for token in tokens:
            generation, packet_id, serial = cast("Token", token)
            if generation == self.generation and still_open.get(packet_id) == serial:
                del still_open[packet_id]
                self.settled.append(packet_id)

    def collect(self) -> tuple[list[Message], list[Rejected]]:
        """Hand over what has come in since the last call."""
        taken = self.messages, self.rejected
        self.messages, self.rejected = [], []
        return taken


class WireError(Exception):
    """paho does not work as this wire takes for granted; another wire must be used."""


class Wire(Protocol):
    """How packets pass through a paho client; there is a stock way and a bulk way."""

    client_class: ClassVar[type[Client]]
    client: Client
    deliveries: Deliveries

    def __init__(self, client: Client, deliveries: Deliveries) -> None: ...

    def read(self) -> MQTTErrorCode:
        """Take in what the socket has, up to a bounded burst."""
        ...

    def pending(self) -> bool:
        """Say whether bytes wait above the socket, where a selector cannot see them."""
        ...

    def acknowledge(self) -> bytes:
        """Acknowledge all that is settled: return bytes to send, or none where paho will send them."""
        ...


class StockWire:
    """Every packet through paho's own reader, every acknowledgement through its own writer."""

    client_class: ClassVar[type[Client]] = Client

    def __init__(self, client: Client, deliveries: Deliveries) -> None:
        self.client = client
        self.deliveries = deliveries
        client.on_message = self._on_message

    def read(self) -> MQTTErrorCode:
        """Read packets until the socket has no more, up to a bounded burst."""
        for _ in range(_BURST):
            before = len(self.deliveries.messages)
            code = self.client.loop_read()
            if code or self.client.socket() is None:
                return code
            if len(self.deliveries.messages) == before and not self.pending():
                break
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def pending(self) -> bool:
        """Say whether TLS holds decrypted bytes."""
        return tls_pending(self.client)

    def acknowledge(self) -> bytes:
        """Queue a PUBACK (or a PUBCOMP) for all that is settled."""
        deliveries = self.deliveries
        for packet_id in deliveries.settled:
            qos = 2 if packet_id in deliveries.exactly_once else 1
            deliveries.exactly_once.discard(packet_id)
            self.client.ack(packet_id, qos)
        deliveries.settled.clear()
        return b""

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        take_from_paho(self.deliveries, message)


def take_from_paho(deliveries: Deliveries, message: MQTTMessage) -> None:
    """Take a message that paho has parsed."""
    try:
        topic = message.topic.encode()
    except UnicodeDecodeError as error:
        topic = bytes(error.object)
    if message.qos == 2:  # noqa: PLR2004  MQTT's own number: an older session under this id asked for it
        deliveries.exactly_once.add(message.mid)
    first = message.retain | min(message.qos, 1) << 1 | message.dup << 3
    deliveries.take([(first, topic, message.mid, bytes(message.payload))])


def tls_pending(client: Client) -> bool:
    """Say whether the client's TLS layer holds bytes that a selector cannot see."""
    pending = getattr(client.socket(), "pending", None)
    return bool(pending and pending())
