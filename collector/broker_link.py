"""One connection to the broker, from CONNECT to its end: a generation."""

import logging
import selectors
import socket
import ssl
import time
from collections import deque
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import cast

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from collector.broker_retry import (
    STOPPED,
    End,
    EndKind,
    Pace,
    end_of_code,
    end_of_disconnect,
    end_of_error,
    end_of_refusal,
)
from collector.broker_secrets import credentials
from collector.broker_wire import Deliveries, Wire, WireError
from collector.clock import Clock
from collector.errors import SourceError
from collector.source import Sink
from collector.source_config import BrokerConfig

_log = logging.getLogger(__name__)
_MQTT5 = MQTTProtocolVersion.MQTTv5
_TOPICS_PER_SUBSCRIBE = 100
_PINGREQ = b"\xc0\x00"
_DISCONNECT = b"\xe0\x00"
_ROOM_POLL_S = 0.05
_IDLE_WAIT_S = 1.0
_FLUSH_S = 0.3
_FAREWELL_S = 0.3


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """What a connection is made from."""

    config: BrokerConfig
    topics: Sequence[str]
    clock: Clock
    pace: Pace
    protocol: MQTTProtocolVersion
    wire: type[Wire]


@dataclass(slots=True)
class Memory:
    """What outlives a connection; only the network thread writes it."""

    connections: int = 0
    received: int = 0
    put_aside: int = 0
    last_packet_at: datetime | None = None
    subscribed: bool = False
    refused: list[str] = field(default_factory=list)
    unassured: list[str] = field(default_factory=list)


class Link:
    """A connection, served by the thread that calls `run`; other threads only queue wishes.

    paho's network thread is not used: it stops reading for nobody, reconnects by itself
    under the same packet ids, and dies silently. Here paho is driven as it documents for a
    foreign event loop, by one thread, and each connection gets a client of its own.
    """

    def __init__(self, settings: LinkSettings, generation: int, sink: Sink, memory: Memory) -> None:
        self.settings = settings
        self.connected_at: datetime | None = None
        self.paused = False
        self.beat_s = self.last_packet_s = self._connected_s = time.monotonic()
        config = settings.config
        self._sink = sink
        self._memory = memory
        self._deliveries = Deliveries(generation, f"{config.host}:{config.port}", settings.clock)
        self._acks: deque[Sequence[object]] = deque()
        self._wish: End | None = None
        self._end: End | None = None
        self._asked: dict[int, list[str]] = {}
        self._raw = bytearray()
        self._raw_begun = False
        self._dry = True
        self._own_ping_s = 0.0
        self._wake_read, self._wake_write = socket.socketpair()
        self._wake_read.setblocking(False)
        self._wake_write.setblocking(False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._wake_read, selectors.EVENT_READ)

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Queue acknowledgements; thread-safe."""
        self._acks.append(tokens)
        self._wake()

    def end(self, wish: End) -> None:
        """Ask for the end; `STOPPED` says farewell to the broker first. Thread-safe."""
        self._wish = wish
        self._wake()

    def stood_s(self) -> float:
        """Return for how many seconds the broker has accepted us; 0 if it has not."""
        return time.monotonic() - self._connected_s if self.connected_at else 0.0

    def run(self) -> End:
        """Connect, serve until the end, close. Any exception ends the connection, never the thread."""
        try:
            self._open()
            self._serve()
        except SourceError as error:
            self._end = End(EndKind.DENIED, str(error))
        except WireError as error:
            _log.warning("%s", error)
            self._end = End(EndKind.WIRE_BROKEN, str(error))
        except OSError as error:
            lost = end_of_code(MQTTErrorCode.MQTT_ERR_CONN_LOST, accepted=True)
            self._end = self._end or (
                lost if self.connected_at else end_of_error(error, self.settings.config.host)
            )
        except Exception as error:  # noqa: BLE001  whatever a broker sends, the thread lives on
            _log.exception("connection to the broker %s broke off", self._deliveries.sender)
            self._end = End(EndKind.LOST, f"connection broke off ({error!r})")
        finally:
            self._close()
        return self._end or end_of_code(MQTTErrorCode.MQTT_ERR_CONN_LOST, accepted=bool(self.connected_at))

    def _open(self) -> None:
        config, protocol = self.settings.config, self.settings.protocol
        password, context = credentials(config)
        client = self.settings.wire.client_class(
            CallbackAPIVersion.VERSION2,
            client_id=config.client_id,
            clean_session=None if protocol == _MQTT5 else False,
            protocol=protocol,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        client.connect_timeout = self.settings.pace.connect_timeout_s
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_socket_register_write = _leave_to_loop
        if config.username:
            client.username_pw_set(config.username, password)
        if context:
            client.tls_set_context(context)
        self._wire = self.settings.wire(client, self._deliveries)
        self._client = client
        if protocol == _MQTT5:
            client.connect(
                config.host, config.port, config.keep_alive_s, clean_start=False, properties=_session(config)
            )
        else:
            client.connect(config.host, config.port, config.keep_alive_s)

    def _serve(self) -> None:
        opened_s = time.monotonic()
        while self._end is None and self._client.socket() is not None:
            self.beat_s = time.monotonic()
            if self._wish is not None:
                self._end = self._wish
                if self._end is STOPPED:
                    self._farewell()
                return
            self._write()
            if self._wait():
                self._read()
            self._keep_alive()
            if not self.connected_at and self.beat_s - opened_s > self.settings.pace.connack_timeout_s:
                self._end = End(EndKind.UNANSWERED, "broker took the connection but does not answer CONNECT")

    def _write(self) -> None:
        """Turn what is settled into acknowledgements and send what the socket takes."""
        while self._acks:
            self._deliveries.settle(self._acks.popleft())
        if self._deliveries.settled:
            self._raw += self._wire.acknowledge()
        if not self._raw_begun and self._client.want_write():
            self._heed(self._client.loop_write())
        if self._raw and (self._raw_begun or not self._client.want_write()):
            self._send_raw()

    def _send_raw(self) -> None:
        """Send bytes of our own, never amid a packet of paho's, nor paho's amid ours."""
        with suppress(BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            sent = self._socket().send(self._raw)
            del self._raw[:sent]
        self._raw_begun = bool(self._raw)

    def _wait(self) -> bool:
        """Wait for the socket, a wish or a while; True if there is something to read."""
        sock = self._client.socket()
        if sock is None:
            return False
        self.paused = self.connected_at is not None and not self._sink.has_room()
        pending = not self.paused and self._wire.pending()
        events = 0 if self.paused else selectors.EVENT_READ
        if self._raw or self._client.want_write():
            events |= selectors.EVENT_WRITE
        self._watch(cast("socket.socket", sock), events)
        timeout_s = 0.0 if pending else _ROOM_POLL_S if self.paused else _IDLE_WAIT_S
        readable = pending
        for key, ready in self._selector.select(timeout_s):
            if key.fileobj is self._wake_read:
                with suppress(BlockingIOError):
                    self._wake_read.recv(4096)
            else:
                readable = readable or bool(ready & selectors.EVENT_READ)
        if not self.paused:
            self._dry = self._dry or not readable
        return readable

    def _watch(self, sock: socket.socket, events: int) -> None:
        """Ask the selector for just these events of the socket."""
        known = self._selector.get_map().get(sock)
        if known is None:
            if events:
                self._selector.register(sock, events)
        elif not events:
            self._selector.unregister(sock)
        elif known.events != events:
            self._selector.modify(sock, events)

    def _read(self) -> None:
        """Read a burst and hand it to the sink, even where the connection ends in its midst."""
        self.last_packet_s = time.monotonic()
        self._memory.last_packet_at = self.settings.clock.now()
        try:
            self._heed(self._wire.read())
        finally:
            messages, rejected = self._deliveries.collect()
            self._memory.received += len(messages)
            self._memory.put_aside += len(rejected)
            if messages:
                self._sink.messages(messages)
            for item in rejected:
                self._sink.rejected(item)

    def _keep_alive(self) -> None:
        """Let paho ping and watch for the answer, but not while its answer waits behind unread messages."""
        if self.paused:
            self._dry = False
        if self._dry:
            self._heed(self._client.loop_misc())
            return
        now_s = time.monotonic()
        half_s = self.settings.config.keep_alive_s / 2
        if now_s - self._own_ping_s >= half_s and not self._raw:
            self._own_ping_s = now_s
            self._raw += _PINGREQ

    def _heed(self, code: MQTTErrorCode) -> None:
        """Note the end of the connection, if that is what paho's code says."""
        if code > MQTTErrorCode.MQTT_ERR_SUCCESS and self._end is None:
            self._end = end_of_code(code, accepted=self.connected_at is not None)

    def _farewell(self) -> None:
        """Flush acknowledgements, say DISCONNECT, and let the broker close first.

        Closing a socket that still has unread messages sends a reset, which may overtake
        the acknowledgements.
        """
        deadline_s = time.monotonic() + _FLUSH_S
        self._write()
        while (self._raw or self._client.want_write()) and time.monotonic() < deadline_s:
            if self._client.socket() is None:
                return
            self._watch(self._socket(), selectors.EVENT_WRITE)
            self._selector.select(0.02)
            self._write()
        sock = self._socket()
        if self._raw or self._client.want_write():
            return
        self._raw += _DISCONNECT
        self._send_raw()
        sock.shutdown(socket.SHUT_WR)
        sock.settimeout(0.05)
        deadline_s = time.monotonic() + _FAREWELL_S
        while time.monotonic() < deadline_s:
            with suppress(TimeoutError):
                if not sock.recv(65536):
                    return

    def _close(self) -> None:
        self._selector.close()
        self._wake_read.close()
        self._wake_write.close()
        client = getattr(self, "_client", None)
        sock = client.socket() if client else None
        if sock is not None:
            sock.close()

    def _wake(self) -> None:
        with suppress(OSError):  # a full pipe wakes as well, and a closed one has nobody to wake
            self._wake_write.send(b"w")

    def _socket(self) -> socket.socket:
        sock = self._client.socket()
        if sock is None:
            raise ConnectionResetError("the socket is closed")
        return cast("socket.socket", sock)

    def _on_connect(
        self,
        _client: Client,
        _userdata: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self._end = end_of_refusal(reason, self.settings.config.username)
            return
        self._memory.connections += 1
        self._connected_s = time.monotonic()
        self.connected_at = self.settings.clock.now()
        _log.info("connected to the broker %s", self._deliveries.sender)
        if not flags.session_present or not self._memory.subscribed:
            self._subscribe()

    def _subscribe(self) -> None:
        memory, topics = self._memory, self.settings.topics
        memory.subscribed = not topics
        memory.refused, memory.unassured = [], []
        for start in range(0, len(topics), _TOPICS_PER_SUBSCRIBE):
            some = list(topics[start : start + _TOPICS_PER_SUBSCRIBE])
            if self.settings.protocol == _MQTT5:
                # retained messages come with a new subscription only, not with every restart
                once = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
                _, mid = self._client.subscribe([(topic, once) for topic in some])
            else:
                _, mid = self._client.subscribe([(topic, 1) for topic in some])
            if mid is not None:
                self._asked[mid] = some

    def _on_subscribe(
        self,
        _client: Client,
        _userdata: object,
        mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        for topic, reason in zip(self._asked.pop(mid, []), reasons, strict=False):
            if reason.is_failure:
                self._memory.refused.append(topic)
            elif reason.value == 0:
                self._memory.unassured.append(topic)
        self._memory.subscribed = not self._asked and not self._memory.refused

    def _on_disconnect(
        self,
        _client: Client,
        _userdata: object,
        flags: DisconnectFlags,
        reason: ReasonCode | None,
        _properties: Properties | None,
    ) -> None:
        if flags.is_disconnect_packet_from_server and self._end is None:
            self._end = end_of_disconnect(reason, self.settings.config.client_id)


def _leave_to_loop(_client: Client, _userdata: object, _sock: object) -> None:
    """Keep paho from writing in whichever thread queues a packet: our loop writes."""


def _session(config: BrokerConfig) -> Properties:
    """MQTT 5 keeps a session only with an expiry, and lifts the in-flight window by Receive Maximum."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = int(config.session_days * 86_400)
    properties.ReceiveMaximum = config.max_inflight
    return properties
