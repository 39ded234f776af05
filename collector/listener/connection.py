"""One client's connection: what it may say when, and what it is answered."""

import asyncio
from collections import deque
from collections.abc import Sequence
from datetime import timedelta
from enum import Enum, Flag, auto
from functools import partial
from typing import TYPE_CHECKING

from collector.listener.decoder import Decoder
from collector.listener.packets import (
    Connect,
    Goodbye,
    Oversized,
    Packet,
    Ping,
    Publish,
    Release,
    Subscribe,
    Unsubscribe,
    Will,
)
from collector.listener.rates import Bucket
from collector.listener.wire import (
    MQTT_5,
    PINGRESP_BYTES,
    Property,
    ProtocolError,
    Reason,
    connack,
    disconnect,
    puback,
    pubacks,
    pubcomp,
    suback,
    unsuback,
)
from collector.source import Message

if TYPE_CHECKING:
    from collector.listener.hub import Hub

_NO_SUBSCRIPTIONS = "layday takes messages and hands none out"
_TICK = timedelta(microseconds=1)
_message = partial(tuple.__new__, Message)  # half the price of `Message(…)`


class Stage(Enum):
    """How far a connection has come."""

    NEW = auto()
    CHECKING = auto()
    OPEN = auto()
    CLOSED = auto()


class Hold(Flag):
    """Why a connection's socket is not read just now."""

    NONE = 0
    CHECKING = auto()
    SINK_FULL = auto()
    UNACKED = auto()
    UNREAD_ANSWERS = auto()
    TOO_FAST = auto()


class Connection(asyncio.BufferedProtocol):
    """A client. Lives on the hub's loop; its tokens are (connection, packet id, payload bytes)."""

    transport: asyncio.Transport

    def __init__(self, hub: "Hub", address: str) -> None:
        self.hub = hub
        self.address = address
        self.client_id = ""
        self.version = 0
        self.keep_alive_s = 0
        self.session_expiry_s = 0
        self.will: Will | None = None
        self.stage = Stage.NEW
        self.hold = Hold.NONE
        self.began_s = self.seen_s = self.packet_began_s = self.held_s = self.closed_s = hub.loop.time()
        self.records_left = hub.limits.records
        self._pace = Bucket(hub.limits.packets_per_s, 2 * hub.limits.packets_per_s, self.began_s)
        self._decoder = Decoder(hub.config.max_payload_bytes, hub.topics)
        self._waiting: list[Packet] = []  # what came with a CONNECT that is being checked
        self._problem: ProtocolError | None = None  # what came after all packets so far
        self._answers = bytearray()  # gathered while packets are acted on, so that they go in one write
        self._is_gathering = False
        self._wants_reasons = True
        self._max_packet_bytes = 0
        self._unacked_count = self._unacked_bytes = 0
        self._taken_count = self._acked_count = 0
        self._late: deque[tuple[int, bytes]] = deque()  # answers that wait for those before them

    # what asyncio calls

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin."""
        assert isinstance(transport, asyncio.Transport)  # noqa: S101  tells mypy what asyncio promises
        self.transport = transport
        transport.set_write_buffer_limits(self.hub.limits.write_buffer_bytes)
        self.hub.joined(self)

    def get_buffer(self, sizehint: int) -> memoryview:  # noqa: ARG002  one buffer serves all
        """Lend the buffer that all connections share: it is emptied before the next one reads."""
        return self.hub.buffer

    def buffer_updated(self, nbytes: int) -> None:
        """Take in what was read."""
        if self.stage is Stage.CLOSED:
            return
        packets: list[Packet] = []
        was_between = not self._decoder.in_mid_packet
        try:
            self._decoder.feed(self.hub.buffer[:nbytes].tobytes(), packets)
        except ProtocolError as error:
            self._problem = error
        self.version = self._decoder.version
        self.seen_s = self.hub.loop.time()
        if packets or was_between:
            self.packet_began_s = self.seen_s
        self._process(packets)
        wait_s = self._pace.wait_s(len(packets), self.seen_s)
        if wait_s and self.stage is Stage.OPEN:
            self.pause(Hold.TOO_FAST)
            self.hub.loop.call_later(wait_s, self.resume, Hold.TOO_FAST)

    def eof_received(self) -> None:
        """Let the transport close: whoever hangs up wants no answers."""

    def pause_writing(self) -> None:
        """Stop reading a client that does not fetch its answers."""
        self.pause(Hold.UNREAD_ANSWERS)

    def resume_writing(self) -> None:
        """Read on."""
        self.resume(Hold.UNREAD_ANSWERS)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002  why it went changes nothing
        """End; a client that has not said goodbye leaves its will."""
        self._leave()
        self.hub.gone(self)

    # what the hub calls

    @property
    def in_mid_packet(self) -> bool:
        """Whether a packet has begun and not ended."""
        return self._decoder.in_mid_packet

    def pause(self, why: Hold) -> None:
        """Stop reading the socket, for one reason more."""
        if not self.hold:
            self.held_s = self.hub.loop.time()
            if not self.transport.is_closing():
                self.transport.pause_reading()
        self.hold |= why

    def resume(self, why: Hold) -> None:
        """Take back a reason; with none left, read on."""
        if why not in self.hold:
            return
        self.hold &= ~why
        if not self.hold:
            # while unread it could not show that it lives
            self.seen_s = self.packet_began_s = self.hub.loop.time()
            if not self.transport.is_closing():
                self.transport.resume_reading()

    def admit(self, connect: Connect, answer: bytes) -> None:
        """Open the connection: the hub has let the client in."""
        self.will = connect.will
        self.session_expiry_s = connect.session_expiry_s
        self._wants_reasons = connect.wants_reasons
        self._max_packet_bytes = connect.max_packet_bytes
        self.stage = Stage.OPEN
        self._write_first_that_fits(answer)

    def go_on(self) -> None:
        """Act on what came after a CONNECT that took time to check, and read on."""
        if self.stage is Stage.OPEN:
            packets, self._waiting = self._waiting, []
            self._process(packets)
            self.resume(Hold.CHECKING)

    def acknowledge(self, packet_ids: Sequence[int], size_bytes: int) -> None:
        """Send PUBACKs, all in one write."""
        if self.stage is not Stage.OPEN:
            return
        self._acked_count += len(packet_ids)
        self._unacked_count -= len(packet_ids)
        self._unacked_bytes -= size_bytes
        self._write(pubacks(packet_ids))
        while self._late and self._late[0][0] <= self._acked_count:
            self._write(self._late.popleft()[1])
        limits = self.hub.limits
        if Hold.UNACKED in self.hold and (
            self._unacked_count <= limits.receive_maximum // 2
            and self._unacked_bytes <= limits.unacked_bytes // 2
        ):
            self.resume(Hold.UNACKED)

    def close(self, reason: Reason, words: str) -> None:
        """End the connection and say why, as far as the version of MQTT lets one say it.

        A socket closed with unread bytes resets the connection, and the last answer with it; so
        hang up one way, read what still comes, and let the client close (or the sweep, if it won't).
        """
        if self.stage is Stage.CLOSED:
            return
        if self.stage is not Stage.OPEN and self.version:
            self._write(connack(self.version, reason, {Property.REASON_STRING: words}))
        elif self.version == MQTT_5:
            self._write_first_that_fits(disconnect(reason, words), disconnect(reason, ""))
        self._leave()
        self._flush()
        if self.transport.is_closing():
            return
        if not self.transport.can_write_eof():
            self.transport.close()
            return
        try:
            self.transport.write_eof()
        except OSError:  # the client was faster
            self.transport.abort()
        else:
            self.resume(self.hold)

    # the rest

    def _leave(self) -> None:
        """Give up the client's place; once, whether the socket or the conversation ends first."""
        if self.stage is Stage.CLOSED:
            return
        was_open = self.stage is Stage.OPEN
        self.stage = Stage.CLOSED
        self.closed_s = self.hub.loop.time()
        self._waiting.clear()
        self._late.clear()
        if was_open:
            self.hub.left(self)

    def _write(self, data: bytes) -> None:
        self._answers += data
        if not self._is_gathering:
            self._flush()

    def _flush(self) -> None:
        if self._answers and not self.transport.is_closing():
            self.transport.write(bytes(self._answers))
        self._answers.clear()

    def _write_first_that_fits(self, *choices: bytes) -> None:
        """Send the first packet that the client can take, or none (section 3.1.2.11.4)."""
        for data in choices:
            if len(data) <= self._max_packet_bytes:
                self._write(data)
                return

    def _process(self, packets: Sequence[Packet]) -> None:
        """Act on packets in their order, then on the error that came after them."""
        if self._is_checked_on():
            self._waiting += packets
            return
        self._is_gathering = True
        self._act_on(packets)
        self._is_gathering = False
        self._flush()
        if self._problem is not None and self.stage in (Stage.NEW, Stage.OPEN):
            self.hub.complain(self, self._problem)
            self.close(self._problem.code, self._problem.words)

    def _act_on(self, packets: Sequence[Packet]) -> None:
        run: list[Publish] = []
        for i, packet in enumerate(packets):
            if isinstance(packet, tuple):
                run.append(packet)
                continue
            if run:
                self._deliver(run)
                run = []
            self._act(packet)
            if self._is_checked_on():
                self._waiting = list(packets[i + 1 :])
                return
            if self.stage is Stage.CLOSED:
                return
        if run:
            self._deliver(run)

    def _is_checked_on(self) -> bool:
        return self.stage is Stage.CHECKING

    def _deliver(self, run: Sequence[Publish]) -> None:
        """Hand messages over, each with a receive time of its own."""
        at = self.hub.stamp(len(run))
        sender, batch, count, total_bytes = self.client_id, [], 0, 0
        for topic, payload, qos, duplicate, packet_id in run:
            token = None
            if qos:
                size_bytes = len(payload)
                count += 1
                total_bytes += size_bytes
                token = (self, packet_id, size_bytes)
            # RETAIN only asks a broker to keep the message; at its first hearing it is as live as any
            batch.append(_message((topic, payload, at, token, False, duplicate, sender, packet_id)))
            at += _TICK
        self._taken_count += count
        self._unacked_count += count
        self._unacked_bytes += total_bytes
        self.hub.deliver(batch)
        limits = self.hub.limits
        if self._unacked_count > limits.receive_maximum and self.version == MQTT_5:
            self._problem = ProtocolError(
                Reason.RECEIVE_MAXIMUM_EXCEEDED, "more messages in flight than Receive Maximum allows"
            )
        elif self._unacked_count >= limits.receive_maximum or self._unacked_bytes >= limits.unacked_bytes:
            self.pause(Hold.UNACKED)

    def _act(self, packet: Packet) -> None:
        """Answer anything but a PUBLISH."""
        match packet:
            case Connect():
                self.hub.connect(self, packet)
            case Ping():
                self._write(PINGRESP_BYTES)
            case Oversized():
                self._skipped(packet)
            case Goodbye():
                self._goodbye(packet)
            case Subscribe(packet_id, filters):
                codes = [_refusal(wanted) for wanted in filters]
                words = _NO_SUBSCRIPTIONS if self._wants_reasons else ""
                self._write_first_that_fits(
                    suback(self.version, packet_id, codes, words), suback(self.version, packet_id, codes, "")
                )
            case Unsubscribe(packet_id, filter_count):
                self._write_first_that_fits(unsuback(self.version, packet_id, filter_count))
            case Release(packet_id):
                self._write_first_that_fits(pubcomp(self.version, packet_id))
            case tuple():
                raise AssertionError("messages go their own way")

    def _skipped(self, packet: Oversized) -> None:
        """Acknowledge what can never be taken, or the client resends it for ever; after those before it."""
        self.hub.skipped(self, packet)
        if not packet.qos:
            return
        answer = puback(self.version, packet.packet_id, Reason.QUOTA_EXCEEDED)
        if self._taken_count > self._acked_count:
            self._late.append((self._taken_count, answer))
        else:
            self._write(answer)

    def _goodbye(self, packet: Goodbye) -> None:
        """Let the client go; it wants no answer."""
        if not packet.with_will:
            self.will = None
        if packet.session_expiry_s is not None:
            self.session_expiry_s = packet.session_expiry_s
        self._leave()
        self._flush()
        self.transport.close()


def _refusal(wanted: str) -> Reason:
    """Return the code that fits a filter best (MQTT 5; 3.1.1 has but one)."""
    if wanted.startswith("$share/"):
        return Reason.SHARED_SUBSCRIPTIONS_NOT_SUPPORTED
    if "+" in wanted or "#" in wanted:
        return Reason.WILDCARD_SUBSCRIPTIONS_NOT_SUPPORTED
    return Reason.IMPLEMENTATION_SPECIFIC
