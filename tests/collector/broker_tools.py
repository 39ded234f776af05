"""A sink that remembers, a wait that fails loudly, and a socket server that plays a script."""

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import TracebackType
from typing import Self

import pytest
from paho.mqtt.enums import MQTTProtocolVersion

from collector.broker_client import BrokerClient
from collector.broker_retry import Pace
from collector.broker_wire import StockWire, Wire
from collector.clock import SystemClock
from collector.domain import Rejected
from collector.source import Message
from collector.source_config import BrokerConfig

QUICK = Pace(base_s=0.05, cap_s=0.4, denied_s=0.6, watch_every_s=0.1)
TOPICS = ("shed/keel/air", "shed/sheer/air")
Make = Callable[..., BrokerClient]


@contextmanager
def making_clients(
    wire: type[Wire] = StockWire, protocol: MQTTProtocolVersion = MQTTProtocolVersion.MQTTv5
) -> Iterator[Make]:
    """Make clients that are stopped when the test ends."""
    made: list[BrokerClient] = []

    def make(
        port: int, *, topics: tuple[str, ...] = TOPICS, pace: Pace = QUICK, **settings: object
    ) -> BrokerClient:
        plain = BrokerConfig(host="127.0.0.1", port=port)
        # a copy is not checked, so that a test may wait for a keep-alive of 2 s instead of 5
        config = plain.model_copy(update={"keep_alive_s": 2, **settings})
        client = BrokerClient(config, topics, SystemClock(), pace=pace)
        client._wire, client._protocol = wire, protocol
        made.append(client)
        return client

    try:
        yield make
    finally:
        for client in made:
            client.stop()


def connect(client: BrokerClient, sink: "RememberingSink") -> None:
    """Start a client and wait until the broker has confirmed its subscriptions."""
    client.start(sink)
    wait_until(lambda: subscribed(client), "connected and subscribed")


def subscribed(client: BrokerClient) -> bool:
    """Say whether messages flow."""
    return client.status().connected and client._memory.subscribed


class RememberingSink:
    """Keeps all that it is given; `room` is what it answers to `has_room`."""

    def __init__(self) -> None:
        self.got: list[Message] = []
        self.aside: list[Rejected] = []
        self.room = True
        self.on_batch: Callable[[Sequence[Message]], None] = lambda _batch: None

    def messages(self, batch: Sequence[Message]) -> None:
        self.got.extend(batch)
        self.on_batch(batch)

    def rejected(self, item: Rejected) -> None:
        self.aside.append(item)

    def has_room(self) -> bool:
        return self.room

    def payloads(self) -> list[str]:
        return [message.payload.decode() for message in list(self.got)]

    def tokens(self) -> list[object]:
        return [message.token for message in list(self.got) if message.token is not None]


def wait_until(true: Callable[[], bool], what: str, within_s: float = 10.0) -> None:
    """Wait for something to become true, or fail saying what did not."""
    deadline_s = time.monotonic() + within_s
    while not true():
        if time.monotonic() > deadline_s:
            pytest.fail(f"not within {within_s:g} s: {what}")
        time.sleep(0.01)


def connack_311(code: int = 0) -> bytes:
    """Return a CONNACK of MQTT 3.1.1 (section 3.2)."""
    return bytes([0x20, 2, 0, code])


def publish_311(topic: bytes, payload: bytes, packet_id: int, flags: int = 0) -> bytes:
    """Return a PUBLISH of MQTT 3.1.1 at QoS 1 (section 3.3)."""
    body = len(topic).to_bytes(2, "big") + topic + packet_id.to_bytes(2, "big") + payload
    size, rest = b"", len(body)
    while True:
        rest, digit = divmod(rest, 128)
        size += bytes([digit | (0x80 if rest else 0)])
        if not rest:
            return bytes([0x32 | flags]) + size + body


class Peer:
    """One connection of the scripted server, read packet by packet."""

    def __init__(self, sock: socket.socket) -> None:
        self.sock = sock

    def packet(self) -> tuple[int, bytes]:
        """Read a whole MQTT packet: its type (high nibble) and its body."""
        first = self._exactly(1)[0]
        size, shift = 0, 0
        while True:
            digit = self._exactly(1)[0]
            size |= (digit & 127) << shift
            shift += 7
            if digit < 128:
                return first >> 4, self._exactly(size)

    def connect_level(self) -> int:
        """Read CONNECT and return its protocol level: 4 is 3.1.1, 5 is 5."""
        kind, body = self.packet()
        assert kind == 1
        return body[6]

    def _exactly(self, count: int) -> bytes:
        data = b""
        while len(data) < count:
            more = self.sock.recv(count - len(data))
            if not more:
                raise ConnectionError("client has gone")
            data += more
        return data


class ScriptedBroker:
    """Runs `script` for each connection, for what no real broker can be made to say."""

    def __init__(self, script: Callable[[Peer], None]) -> None:
        self._script = script
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._peers: list[socket.socket] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        for sock in self._peers:
            sock.close()
        self._thread.join(5)

    def _serve(self) -> None:
        while True:
            try:
                sock, _ = self._server.accept()
            except OSError:
                return
            self._peers.append(sock)
            sock.settimeout(5)
            try:
                self._script(Peer(sock))
            except OSError:
                pass
            finally:
                sock.close()
