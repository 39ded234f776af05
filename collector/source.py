"""What every source of readings looks like to intake."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple, Protocol

from collector.domain import Rejected


class Message(NamedTuple):
    """One MQTT message as it arrived.

    `token` is what the source needs back to acknowledge it; None where there is nothing to
    acknowledge (QoS 0). `sender` and `packet_id` name the delivery, so that a redelivery
    (`duplicate`) can be told from a new message: `sender` is the client's id at the listener
    and the broker's address at the broker client.
    """

    topic: str
    payload: bytes
    received_at: datetime
    token: object | None = None
    retained: bool = False
    duplicate: bool = False
    sender: str = ""
    packet_id: int = 0


class Sink(Protocol):
    """Where a source delivers. Both calls are thread-safe and never raise."""

    def messages(self, batch: Sequence[Message]) -> None:
        """Take messages in order of arrival. Never blocks; see `has_room`."""
        ...

    def rejected(self, item: Rejected) -> None:
        """Take something that is not even a message (bad topic bytes, too large …)."""
        ...

    def has_room(self) -> bool:
        """Say whether more should be read now; while False a source stops reading its sockets."""
        ...


@dataclass(frozen=True, slots=True)
class SourceStatus:
    """How a source is doing, in words a person can act on."""

    name: str
    connected: bool
    words: str
    since: datetime
    last_packet_at: datetime | None
    connections: int
    received_count: int
    dropped_count: int


class Source(Protocol):
    """A source of messages: the yard's broker, or the sensors themselves."""

    @property
    def name(self) -> str:
        """A short name, as in ``listener 127.0.0.1:1883``."""
        ...

    def start(self, sink: Sink) -> None:
        """Begin to deliver, in threads of the source's own.

        Raises
        ------
        SourceError
            If it can never work as configured (port taken, certificate unreadable). A
            broker that is merely absent is no error: the source keeps trying and says so.
        """
        ...

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Tell the senders that these messages are on disk. Thread-safe; stale tokens are dropped."""
        ...

    def status(self) -> SourceStatus:
        """Return how the source is doing."""
        ...

    def stop(self) -> None:
        """Stop reading, flush the acknowledgements given so far, close; under 1 s."""
        ...
