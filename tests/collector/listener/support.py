"""A sink that remembers, a raw client, and a listener on a free port."""

import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, Self

from collector.clock import Clock, SystemClock
from collector.domain import Rejected
from collector.listener import Limits, Listener
from collector.source import Message
from collector.source_config import ListenerConfig
from tests.collector.listener.client_bytes import connect

# Limits under which nothing happens by time unless a test says so.
CALM: dict[str, Any] = {"sweep_s": 1e6, "records_per_s": 1e-6, "connections_per_s": 1e-6}


class Basket:
    """A sink that keeps all it gets; acknowledges at once if `listener` is set."""

    def __init__(self) -> None:
        self.got: list[Message] = []
        self.bad: list[Rejected] = []
        self.batch_sizes: list[int] = []
        self.has_space = True
        self.listener: Listener | None = None
        self._changed = threading.Condition()

    def messages(self, batch: Sequence[Message]) -> None:
        with self._changed:
            self.got += batch
            self.batch_sizes.append(len(batch))
            self._changed.notify_all()
        if self.listener is not None:
            self.listener.acknowledge([m.token for m in batch if m.token is not None])

    def rejected(self, item: Rejected) -> None:
        with self._changed:
            self.bad.append(item)
            self._changed.notify_all()

    def has_room(self) -> bool:
        return self.has_space

    def wait(self, what: Callable[["Basket"], bool], timeout_s: float = 10.0) -> None:
        """Wait until `what` holds."""
        with self._changed:
            if not self._changed.wait_for(lambda: what(self), timeout_s):
                raise AssertionError(f"waited {timeout_s} s; have {len(self.got)} messages, {self.bad[-3:]}")


def eventually(what: Callable[[], bool], timeout_s: float = 10.0) -> None:
    """Wait until `what()` holds."""
    pause = threading.Event()
    for _ in range(int(timeout_s / 0.01)):
        if what():
            return
        pause.wait(0.01)
    raise AssertionError(f"still not so after {timeout_s} s")


@contextmanager
def listening(
    sink: Basket,
    *,
    acknowledges: bool = True,
    clock: Clock | None = None,
    limits: Limits | None = None,
    **settings: object,
) -> Iterator[Listener]:
    """Run a listener on a free port of 127.0.0.1."""
    config = ListenerConfig().model_copy(update={"port": 0, **settings})
    listener = Listener(config, clock or SystemClock(), limits)
    if acknowledges:
        sink.listener = listener
    listener.start(sink)
    try:
        yield listener
    finally:
        listener.stop()


class Leaping:
    """A running listener whose loop's time is moved by hand."""

    def __init__(self, listener: Listener) -> None:
        assert listener._hub is not None
        self.hub = listener._hub
        self._began_s = time.monotonic()
        self._now_s = self._began_s
        self.hub.loop.time = lambda: self._now_s  # type: ignore[method-assign]

    def sweep_at(self, elapsed_s: float) -> None:
        """Let so much time have passed since the beginning, and sweep."""
        self._now_s = self._began_s + elapsed_s
        self.on_its_thread(self.hub.sweep)

    def settle(self) -> None:
        """Wait until the hub has done all that it has been asked so far, and read what has come."""
        for _ in range(2):
            self.on_its_thread(list)

    def on_its_thread(self, what: Callable[[], object]) -> None:
        """Have something done where the hub lives, and wait for it."""
        done = threading.Event()

        def run() -> None:
            what()
            self.hub.loop.call_soon(done.set)

        self.hub.loop.call_soon_threadsafe(run)
        assert done.wait(10)


@contextmanager
def leaping(
    sink: Basket,
    limits: Limits | None = None,
    **settings: Any,  # noqa: ANN401  those of the configuration
) -> Iterator[tuple[Listener, Leaping]]:
    """Run a listener that does nothing by time unless told so."""
    with listening(sink, limits=limits or Limits(**CALM), **settings) as listener:
        leap = Leaping(listener)
        try:
            yield listener, leap
        finally:
            del leap.hub.loop.time  # stopping takes time


class RawClient:
    """A socket that speaks whatever bytes it is told to."""

    def __init__(self, port: int, receive_buffer: int = 0) -> None:
        self.socket = socket.socket()
        self.socket.settimeout(10)
        if receive_buffer:
            self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_buffer)
        self.socket.connect(("127.0.0.1", port))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.socket.close()

    def send(self, data: bytes) -> None:
        self.socket.sendall(data)

    def read(self, size: int) -> bytes:
        """Return exactly `size` bytes, or fewer at the end."""
        data = b""
        while len(data) < size:
            more = self.socket.recv(size - len(data))
            if not more:
                break
            data += more
        return data

    def packet(self) -> bytes:
        """Return the next (short) packet; empty if the listener has hung up."""
        header = self.read(2)
        if len(header) < 2:
            return b""
        assert header[1] < 128, "a longer packet than these tests expect"
        return header + self.read(header[1])

    def hung_up(self) -> bool:
        """Wait for the listener to close, with nothing more said."""
        try:
            return self.socket.recv(1) == b""
        except ConnectionResetError:
            return True


def joined(port: int, version: int = 4, client_id: str = "node", **fields: Any) -> RawClient:  # noqa: ANN401
    """Return a client that has been let in; `fields` are those of `client_bytes.connect`."""
    client = RawClient(port)
    client.send(connect(version, client_id, **fields))
    answer = client.packet()
    assert answer[0] == 0x20, answer
    assert answer[3] == 0, answer
    return client
