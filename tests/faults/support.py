"""Sound and broken daemons, and a sensor on a raw socket."""

import json
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from collector.errors import StoreError
from collector.service import STATE_KEY
from collector.store.opening import open_store
from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import RawClient
from tests.end_to_end.layday import Layday, sensor_lines, until

TOPIC = "tunnel/keel/node"
FIRST_MS = 1_775_000_000_000
SOUND = ""


def sound_and(*defects: str) -> pytest.MarkDecorator:
    """Run a test on a sound daemon, where it must pass, and on broken ones, where its check must fail."""
    return pytest.mark.parametrize("defect", [SOUND, *defects], ids=lambda name: name or "sound")


@contextmanager
def expecting_failure_if(defect: str) -> Iterator[None]:
    """Let the check in this block pass; where something is broken, demand that it fails."""
    if not defect:
        yield
        return
    with pytest.raises((AssertionError, pytest.fail.Exception)):
        yield


def installation(
    folder: Path,
    defect: str = SOUND,
    *,
    sensors: str | None = None,
    broker_port: int | None = None,
    store: Path | None = None,
    help_by: str = "hurry",
) -> Layday:
    """Return a layday whose daemon has a defect; `help_by` names what helps the test."""
    folder.mkdir(exist_ok=True)
    layday = Layday(
        folder,
        sensor_lines(TOPIC, ["air_c"]) if sensors is None else sensors,
        broker_port=broker_port,
        store=store,
    )
    names = ",".join(filter(None, [help_by, defect]))
    layday.command = (sys.executable, "-m", "tests.faults.broken", names)
    return layday


@contextmanager
def running(layday: Layday) -> Iterator[Layday]:
    """Run its daemon, and make sure that it ends."""
    try:
        layday.start()
        yield layday
    finally:
        layday.end()


def reading(number: int, value: float | None = None) -> bytes:
    """Return the payload of the reading of that number: a millisecond each, its value the number."""
    return b'{"t": %d, "air_c": %r}' % (FIRST_MS + number, number / 1000 if value is None else value)


def at_us(number: int) -> int:
    """Return when that reading was taken."""
    return (FIRST_MS + number) * 1000


class Sensor:
    """A sensor that numbers its messages, keeps each until it is acknowledged, and sends it again then.

    `rate_hz` messages a second fall due, whether it is connected or not. With MQTT 3.1.1 and a
    lasting session, as most firmware does it.
    """

    def __init__(
        self,
        port: int,
        rate_hz: float,
        *,
        topic: str = TOPIC,
        payload: Callable[[int], bytes] = reading,
        window: int = 1000,
    ) -> None:
        self.acknowledged = 0
        self.made = 0
        self.connections = 0
        self._port = port
        self._topic = topic
        self._payload = payload
        self._rate_hz = rate_hz
        self._window = window
        self._flying: deque[int] = deque()
        self._is_quiet = False
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)

    def start(self) -> None:
        """Begin."""
        self._began_s = time.monotonic()
        self._thread.start()

    @contextmanager
    def quiet(self) -> Iterator[None]:
        """Send nothing for a while, once all that was sent is acknowledged; what falls due then waits."""
        self._is_quiet = True
        until(lambda: not self._flying, "all is acknowledged")
        yield
        self._is_quiet = False

    def finish(self, timeout_s: float = 60.0) -> int:
        """Make no more; return how many there were once all are acknowledged."""
        self._over.set()
        self._thread.join(timeout_s)
        assert not self._thread.is_alive(), f"{len(self._flying)} messages are not acknowledged"
        return self.made

    def stop(self) -> None:
        """End, whatever is left."""
        self._rate_hz, self._flying = 0.0, deque()
        self._over.set()
        self._thread.join(10)

    def _work(self) -> None:
        while not (self._over.is_set() and not self._flying):
            with suppress(OSError), socket.create_connection(("127.0.0.1", self._port), timeout=5) as sock:
                self._serve(sock)
            time.sleep(0.02)

    def _serve(self, sock: socket.socket) -> None:
        sock.sendall(client.connect(4, self._topic, clean=False))
        if sock.recv(4, socket.MSG_WAITALL)[3:] != b"\0":
            return
        self.connections += 1
        sock.sendall(b"".join(self._packet(number, duplicate=True) for number in self._flying))
        sock.settimeout(0.005)
        rest = b""
        while not (self._over.is_set() and not self._flying):
            self._send_due(sock)
            with suppress(TimeoutError):
                data = sock.recv(65_536)
                if not data:
                    return
                rest = self._heed(rest + data)

    def _send_due(self, sock: socket.socket) -> None:
        due = (
            0
            if self._over.is_set() or self._is_quiet
            else int((time.monotonic() - self._began_s) * self._rate_hz)
        )
        count = min(due - self.made, self._window - len(self._flying), 200)
        if count > 0:
            fresh = range(self.made, self.made + count)
            self._flying.extend(fresh)
            self.made += count
            sock.settimeout(5)
            sock.sendall(b"".join(map(self._packet, fresh)))
            sock.settimeout(0.005)

    def _heed(self, data: bytes) -> bytes:
        """Strike off what is acknowledged; return a packet not yet whole."""
        whole = len(data) // 4 * 4
        answered = {int.from_bytes(data[at + 2 : at + 4], "big") for at in range(0, whole, 4)}
        assert set(data[0:whole:4]) <= {0x40}, data[:whole]
        before = len(self._flying)
        self._flying = deque(n for n in self._flying if n % 65_535 + 1 not in answered)
        self.acknowledged += before - len(self._flying)
        return data[whole:]

    def _packet(self, number: int, *, duplicate: bool = False) -> bytes:
        packet_id = number % 65_535 + 1
        return client.publish(
            self._topic, self._payload(number), qos=1, packet_id=packet_id, duplicate=duplicate
        )


def expect_each_once(layday: Layday, count: int, timeout_s: float = 30.0) -> None:
    """Demand that the store holds just the readings 0 … count - 1, each with its value."""
    until(lambda: len(layday.values("keel.air_c")) >= count, f"{count} readings are kept", timeout_s)
    assert layday.values("keel.air_c") == {at_us(n): n / 1000 for n in range(count)}


def daemon_word(layday: Layday) -> dict[str, Any]:
    """Return what the daemon last said of itself, or nothing."""
    try:
        with closing(open_store(layday.store, read_only=True)) as store:
            state = store.read_state(STATE_KEY)
    except StoreError:
        return {}
    word: dict[str, Any] = json.loads(state.text) if state else {}
    return word


def source_words(layday: Layday) -> str:
    """Return how its sources are doing, in the words that `layday check` shows."""
    return " | ".join(source["words"] for source in daemon_word(layday).get("sources", ()))


def connected(layday: Layday) -> Layday:
    """Wait until its broker source has subscribed."""
    until(lambda: "connected to" in source_words(layday), "connected to the broker")
    time.sleep(0.3)  # the subscription follows at once
    return layday


def say(
    layday: Layday, payload: bytes, topic: str = TOPIC, *, timeout_s: float = 5.0, duplicate: bool = False
) -> bool:
    """Publish one message to its listener at QoS 1; return whether the acknowledgement came in time."""
    with RawClient(layday.port) as raw:
        raw.send(client.connect(4, "talker", clean=False))
        assert raw.packet()[3] == 0
        raw.send(client.publish(topic, payload, qos=1, duplicate=duplicate))
        raw.socket.settimeout(timeout_s)
        try:
            return raw.packet() == b"\x40\x02\x00\x01"
        except OSError:
            return False
