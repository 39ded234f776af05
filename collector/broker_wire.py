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
BAD_TOPIC = "topic is not UTF-8"
_HEAD_BYTES = 256
_BURST = 1000
_MICROSECOND = timedelta(microseconds=1)
_SECOND = timedelta(seconds=1)

# A connection's generation, the broker's packet id, and a serial that no two deliveries share.
Token = tuple[int, int, int]


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
        self._clock = clock
        self._last_at = datetime.min.replace(tzinfo=clock.now().tzinfo)

    def received_at(self, count: int = 1) -> datetime:
        """Return the receive time of the first of `count` messages, a microsecond apart each.

        No two share one, or two readings that carry no time of their own would have one key
        and the store would keep only the first. A clock set back is followed, not held up.
        """
        now = self._clock.now()
        if timedelta(0) <= self._last_at - now < _SECOND:
            now = self._last_at + _MICROSECOND
        self._last_at = now + (count - 1) * _MICROSECOND
        return now

    def take(self, topic: str, payload: bytes, qos: int, packet_id: int, flags: int) -> None:
        """Take a message whose fixed header had `flags` (1 retained, 8 duplicate)."""
        token: Token | None = None
        if qos:
            self.serial += 1
            self.open[packet_id] = self.serial
            token = (self.generation, packet_id, self.serial)
        self.messages.append(
            Message(
                topic,
                payload,
                self.received_at(),
                token,
                retained=bool(flags & 1),
                duplicate=bool(flags & 8),
                sender=self.sender,
                packet_id=packet_id,
            )
        )

    def put_aside(self, topic: str, payload: bytes, size_bytes: int, reason: str) -> Rejected:
        """Keep what is no message for intake, with its reason."""
        item = Rejected(self.received_at(), self.sender, topic, reason, payload[:_HEAD_BYTES], size_bytes)
        self.rejected.append(item)
        return item

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

    def acknowledge(self) -> None:
        """Queue or send a PUBACK for all that is settled."""
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

    def acknowledge(self) -> None:
        """Queue a PUBACK (or a PUBCOMP) for all that is settled."""
        deliveries = self.deliveries
        for packet_id in deliveries.settled:
            qos = 2 if packet_id in deliveries.exactly_once else 1
            deliveries.exactly_once.discard(packet_id)
            self.client.ack(packet_id, qos)
        deliveries.settled.clear()

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        take_from_paho(self.deliveries, message)


def take_from_paho(deliveries: Deliveries, message: MQTTMessage) -> None:
    """Take a message that paho has parsed, or put it aside and settle it: it can never be stored."""
    payload = bytes(message.payload)
    if message.qos == 2:  # noqa: PLR2004  MQTT's own number: an older session under this id asked for it
        deliveries.exactly_once.add(message.mid)
    reason = too_large_reason() if len(payload) > MAX_PAYLOAD_BYTES else ""
    try:
        topic = message.topic
    except UnicodeDecodeError as error:
        topic = bytes(error.object).decode("utf-8", "backslashreplace")
        reason = BAD_TOPIC
    if not reason:
        deliveries.take(topic, payload, message.qos, message.mid, message.retain | message.dup << 3)
        return
    deliveries.put_aside(topic, payload, len(payload), reason)
    if message.qos:
        deliveries.settled.append(message.mid)


def too_large_reason() -> str:
    """Say that a payload is beyond the limit, always in the same words so that they can be counted."""
    return f"payload is larger than {MAX_PAYLOAD_BYTES} bytes"


def tls_pending(client: Client) -> bool:
    """Say whether the client's TLS layer holds bytes that a selector cannot see."""
    pending = getattr(client.socket(), "pending", None)
    return bool(pending and pending())
