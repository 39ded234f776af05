"""What all connections share: who is here, what goes to the sink, who must go."""

import asyncio
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import cast

from collector.clock import Clock
from collector.domain import Rejected
from collector.listener.connection import Connection, Hold, Stage
from collector.listener.gate import Gate
from collector.listener.limits import Limits
from collector.listener.packets import Connect, Oversized
from collector.listener.rates import AddressRates, Bucket
from collector.listener.sessions import Sessions
from collector.listener.tally import Tally
from collector.listener.wire import HEAD_BYTES, ProtocolError, Reason
from collector.source import Message, Sink
from collector.source_config import ListenerConfig

Token = tuple[Connection, int, int]  # whose message, its packet id, the size of its payload

_READ_BYTES = 65_536
_SHOWN_TOPIC = 200
_REMEMBERED_ADDRESSES = 4_096
_TOO_LARGE = "the payload is larger than max_payload_bytes"
_TICK = timedelta(microseconds=1)
_SECOND = timedelta(seconds=1)


class Hub:
    """The room where connections meet. Everything here runs on one loop, in one thread."""

    def __init__(
        self,
        config: ListenerConfig,
        limits: Limits,
        clock: Clock,
        sink: Sink,
        gate: Gate,
        tally: Tally,
    ) -> None:
        self.config = config
        self.limits = limits
        self.max_newcomers = max(limits.newcomers, config.max_connections)
        self.loop = asyncio.get_running_loop()
        self.buffer = memoryview(bytearray(_READ_BYTES))
        self.topics: dict[bytes, str] = {}
        self.sockets: dict[Connection, None] = {}  # in order of arrival
        self.clients: dict[str, Connection] = {}
        self._newcomers: dict[Connection, None] = {}  # sockets without a CONNECT so far
        self._clock = clock
        self._sink = sink
        self._gate = gate
        self._tally = tally
        self._arrivals = AddressRates(
            limits.connections_per_s,
            max(limits.connection_burst, 2 * config.max_connections),
            _REMEMBERED_ADDRESSES,
        )
        self._records = Bucket(limits.records_per_s, limits.record_burst, self.loop.time())
        self._sessions = Sessions(self.loop, limits.sessions)
        self._batch: list[Message] = []
        self._free_at: datetime | None = None
        self._full = False
        self._stopping = False
        self.empty = asyncio.Event()  # once stopping: everyone has gone

    # connections come and go

    def lets_connect(self, address: str) -> bool:
        """Say whether one more socket from `address` is all right now."""
        if self._arrivals.allows(address, self.loop.time()):
            return True
        self.turned_away(address, "too many connections from one address in a short time")
        return False

    def joined(self, connection: Connection) -> None:
        """Take in a socket; with too many that never got to a CONNECT, the oldest of them goes."""
        self.sockets[connection] = None
        self._newcomers[connection] = None
        if len(self._newcomers) > self.max_newcomers:
            oldest = next(iter(self._newcomers))
            del self._newcomers[oldest]
            oldest.transport.abort()

    def connect(self, connection: Connection, packet: Connect) -> None:
        """Let a client in, now or when its password has been checked; or turn it away."""
        self._newcomers.pop(connection, None)
        self._gate.judge(connection, packet, self._judged)

    def _judged(self, connection: Connection, packet: Connect, reason: Reason, words: str) -> None:
        """Do what the gate said."""
        if connection.stage is Stage.CLOSED:
            return
        old = self.clients.get(connection.client_id)
        if not reason and old is None and len(self.clients) >= self.config.max_connections:
            reason, words = Reason.QUOTA_EXCEEDED, "all max_connections places are taken"
        if reason:
            self.complain(connection, ProtocolError(reason, words))
            connection.close(reason, words)
            return
        if old is not None:
            self._tally.taken_over(connection.client_id, self.loop.time() - old.began_s, self.loop.time())
            old.close(Reason.SESSION_TAKEN_OVER, "another connection has this client id")
        session_present = self._sessions.take_up(connection.client_id, clean=packet.clean_start)
        self.clients[connection.client_id] = connection
        self._tally.connected_count = len(self.clients)
        connection.admit(packet, self._gate.welcome(connection, packet, session_present=session_present))
        if self._full:
            connection.pause(Hold.SINK_FULL)

    def left(self, connection: Connection) -> None:
        """Remember the session of a client that is gone, and send its will if it left one."""
        if self.clients.get(connection.client_id) is connection:
            del self.clients[connection.client_id]
        self._tally.connected_count = len(self.clients)
        if self._stopping:
            return  # it is the listener that dies, not the sensor

        def publish() -> None:
            will = connection.will
            if will is None:
                return
            if len(will.payload) > self.config.max_payload_bytes:
                size_bytes = len(will.payload)
                self.skipped(connection, Oversized(will.topic, will.payload[:HEAD_BYTES], size_bytes, 0, 0))
                return
            self.deliver([Message(will.topic, will.payload, self.stamp(1), sender=connection.client_id)])

        delay_s = connection.will.delay_s if connection.will else 0
        self._sessions.leave(connection.client_id, connection.session_expiry_s, delay_s, publish)

    def gone(self, connection: Connection) -> None:
        """Forget a socket."""
        self.sockets.pop(connection, None)
        self._newcomers.pop(connection, None)
        if self._stopping and not self.sockets:
            self.empty.set()

    # what they bring

    def stamp(self, count: int) -> datetime:
        """Return the receive time of the first of `count` messages; each later one is 1 µs younger.

        No two messages share a receive time: where a device sends none, it is what tells its
        readings apart. A clock that was set back is believed.
        """
        now = self._clock.now()
        self._tally.last_packet_at = now
        if self._free_at is not None and now < self._free_at < now + _SECOND:
            now = self._free_at
        self._free_at = now + count * _TICK
        return now

    def deliver(self, batch: Sequence[Message]) -> None:
        """Collect messages of this turn of the loop; the sink gets them in one piece."""
        if not self._batch:
            self.loop.call_soon(self.flush)
        self._batch += batch

    def flush(self) -> None:
        """Hand over what was collected; stop reading if that was enough for now."""
        if self._batch:
            batch, self._batch = self._batch, []
            self._tally.received_count += len(batch)
            self._sink.messages(batch)
        if not self._full and not self._sink.has_room():
            self._full = self._tally.is_full = True
            for connection in self.clients.values():
                connection.pause(Hold.SINK_FULL)
            self.loop.call_later(self.limits.full_sink_s, self._ask_again)

    def _ask_again(self) -> None:
        if not self._sink.has_room():
            self.loop.call_later(self.limits.full_sink_s, self._ask_again)
            return
        self._full = self._tally.is_full = False
        for connection in list(self.clients.values()):
            connection.resume(Hold.SINK_FULL)

    def complain(self, connection: Connection, error: ProtocolError) -> None:
        """Record why a connection ends."""
        self._tally.complaints[error.words] += 1
        self._record(connection, error.words, error.topic, error.head, error.size_bytes)

    def skipped(self, connection: Connection, packet: Oversized) -> None:
        """Record a message that was too large to take."""
        self._record(connection, _TOO_LARGE, packet.topic, packet.head, packet.size_bytes)

    def turned_away(self, address: str, words: str) -> None:
        """Record a peer that never got as far as a connection."""
        self._tally.complaints[words] += 1
        self._tally.dropped_count += 1
        if self._records.allows(self.loop.time()):
            source = f"{self._tally.name} from {address}"
            self._sink.rejected(Rejected(self._clock.now(), source, "", words, b"", 0))

    def _record(self, connection: Connection, words: str, topic: str, head: bytes, size_bytes: int) -> None:
        """Tell the sink; a client that does nothing else is only counted after a while."""
        self._tally.dropped_count += 1
        if connection.records_left <= 0 or not self._records.allows(self.loop.time()):
            return
        connection.records_left -= 1
        who = (
            f"{connection.client_id!r} at {connection.address}"
            if connection.client_id
            else connection.address
        )
        self._sink.rejected(
            Rejected(
                received_at=self._clock.now(),
                source=f"{self._tally.name} from {who}",
                topic=topic[:_SHOWN_TOPIC],
                reason=words,
                payload_head=head[:HEAD_BYTES],
                size_bytes=size_bytes,
            )
        )

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Send PUBACKs: one write a connection."""
        by_connection: dict[Connection, list[Token]] = {}
        for token in cast("Sequence[Token]", tokens):
            connection = token[0]
            if connection in by_connection:
                by_connection[connection].append(token)
            else:
                by_connection[connection] = [token]
        for connection, its_tokens in by_connection.items():
            connection.acknowledge([token[1] for token in its_tokens], sum(token[2] for token in its_tokens))

    # what must go

    def sweep(self) -> None:
        """Close what has been silent, slow or closing for too long."""
        now_s, limits = self.loop.time(), self.limits
        for connection in list(self.sockets):
            connection.records_left = min(connection.records_left + 1, limits.records)
            if connection.stage is Stage.CLOSED:
                if now_s - connection.closed_s > limits.linger_s:
                    connection.transport.abort()
            elif connection.stage is Stage.NEW:
                if now_s - connection.began_s > limits.connect_s:
                    self._expel(connection, Reason.PROTOCOL_ERROR, "no CONNECT in time")
            elif connection.hold:
                if Hold.UNREAD_ANSWERS in connection.hold and now_s - connection.held_s > limits.packet_s:
                    connection.transport.abort()
            elif connection.in_mid_packet and now_s - connection.packet_began_s > limits.packet_s:
                self._expel(connection, Reason.PROTOCOL_ERROR, "a packet took too long to arrive")
            elif connection.keep_alive_s and now_s - connection.seen_s > 1.5 * connection.keep_alive_s:
                self._tally.silent_count += 1
                connection.close(Reason.KEEP_ALIVE_TIMEOUT, "nothing heard for 1.5 times the keep-alive")

    def _expel(self, connection: Connection, reason: Reason, words: str) -> None:
        self.complain(connection, ProtocolError(reason, words))
        connection.close(reason, words)

    def shut(self) -> None:
        """Say goodbye to everyone; acknowledgements given so far are sent before."""
        self._stopping = True
        self._sessions.forget()
        self.flush()
        for connection in list(self.sockets):
            is_open = connection.stage is Stage.OPEN
            reason = Reason.SERVER_SHUTTING_DOWN if is_open else Reason.SERVER_UNAVAILABLE
            connection.close(reason, "layday is stopping")
        if not self.sockets:
            self.empty.set()
