"""How fast readings come in from a broker: ``python -m tests.bench.broker_rate [MESSAGES]``.

Every row has a fresh mosquitto with the template's queue settings and a process of its own:
once with the publisher running (live), once with all messages queued while it was away (drain).
"""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

if TYPE_CHECKING:  # each row's process imports only what it measures: memory is a column
    from collections.abc import Callable, Sequence

    from collector.broker_client import BrokerClient
    from collector.domain import Rejected
    from collector.source import Message
    from tests.mosquitto import Mosquitto

TOPICS = 10_000
NAMES = {
    "sub": "mosquitto_sub > /dev/null",
    "paho": "paho, empty callback",
    "table": "layday's client, SQLite table, then ack",
    "stock": "the same through stock paho",
    "intake": "layday's client, intake, store, then ack",
}


def payload(i: int) -> bytes:
    """Return 58 bytes of JSON with a device time of its own."""
    return b'{"air": %05.2f, "rh": 64.21, "bat": 3.011, "t": %d}' % (i % 30, 1_741_003_200_000 + i)


def publish(port: int, count: int) -> None:
    """Publish at QoS 1 as fast as the broker acknowledges, up to 2000 in flight."""
    sock = socket.create_connection(("127.0.0.1", port))
    sock.sendall(b"\x10\x10\x00\x04MQTT\x04\x02\x00\x3c\x00\x04bnch")
    sock.recv(4)
    acknowledged = 0
    for start in range(0, count, 500):
        packets = bytearray()
        for i in range(start, min(start + 500, count)):
            topic, text = b"shed/s%05d/env" % (i % TOPICS), payload(i)
            body = len(topic).to_bytes(2, "big") + topic + (i % 65_535 + 1).to_bytes(2, "big") + text
            packets += bytes([0x32, len(body)]) + body
        sock.sendall(packets)
        while start + 500 - acknowledged / 4 > 2000:
            acknowledged += len(sock.recv(65_536))
    while acknowledged < 4 * count:
        acknowledged += len(sock.recv(65_536))
    sock.close()


class Meter:
    """Counts to the last message, and takes time and processor from the first."""

    def __init__(self, count: int) -> None:
        self.left = count
        self.count = count
        self.done = threading.Event()
        self.began_s = self.cpu_s = 0.0

    def begin(self) -> None:
        self.began_s, self.cpu_s = time.perf_counter(), time.process_time()

    def took(self, count: int) -> None:
        self.left -= count
        if self.left <= 0 and not self.done.is_set():
            self.rate = self.count / (time.perf_counter() - self.began_s)
            self.cpu_us = (time.process_time() - self.cpu_s) / self.count * 1e6
            self.done.set()


class TableSink:
    """Commits batches of 500, or of what there is, to a table, and acknowledges after the commit."""

    def __init__(self, client: BrokerClient, file: Path, meter: Meter) -> None:
        self._client, self._file, self._meter = client, file, meter
        self._queue: deque[Message] = deque()
        self._filled = threading.Event()
        threading.Thread(target=self._work, daemon=True).start()

    def messages(self, batch: Sequence[Message]) -> None:
        if self._meter.began_s == 0:
            self._meter.begin()
        self._queue.extend(batch)
        self._filled.set()

    def rejected(self, item: Rejected) -> None:
        raise AssertionError(item)

    def has_room(self) -> bool:
        return len(self._queue) < 20_000

    def _work(self) -> None:
        con = sqlite3.connect(self._file, isolation_level=None)
        con.execute("PRAGMA journal_mode=WAL")
        con.execute("PRAGMA synchronous=FULL")
        con.execute("CREATE TABLE reading (at TEXT, topic TEXT, payload BLOB)")
        while True:
            self._filled.wait()
            self._filled.clear()
            while self._queue:
                batch = [self._queue.popleft() for _ in range(min(500, len(self._queue)))]
                con.execute("BEGIN")
                con.executemany(
                    "INSERT INTO reading VALUES (?, ?, ?)",
                    [(str(m.received_at), m.topic, m.payload) for m in batch],
                )
                con.execute("COMMIT")
                self._client.acknowledge([m.token for m in batch])
                self._meter.took(len(batch))


def paho_client(port: int, meter: Meter) -> None:
    """Receive with a callback that only counts, and paho's own acknowledgement."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="bench", clean_session=False)

    def on_message(*_: object) -> None:
        if meter.began_s == 0:
            meter.begin()
        meter.took(1)

    client.on_message = on_message
    client.on_connect = lambda *_: client.subscribe("shed/#", 1) and None
    client.on_subscribe = lambda *_: print("ready", flush=True)
    client.connect("127.0.0.1", port)
    client.loop_start()


def our_client(kind: str, port: int, meter: Meter, folder: Path) -> None:
    """Receive with layday's client into a table, or through its intake into its store."""
    from collector.broker_client import BrokerClient
    from collector.broker_wire import StockWire
    from collector.clock import SystemClock
    from collector.config import BrokerConfig

    config = BrokerConfig(host="127.0.0.1", port=port, client_id="bench")
    client = BrokerClient(config, ["shed/#"], SystemClock())
    if kind == "stock":
        client._wire = StockWire
    if kind == "intake":
        start_intake(client, meter, folder)
    else:
        client.start(TableSink(client, folder / "table.db", meter))
    while not client._memory.subscribed:
        time.sleep(0.001)
    print("ready", flush=True)


def start_intake(client: BrokerClient, meter: Meter, folder: Path) -> None:
    """Put layday's intake and store behind the client, with 10,000 sensors configured."""
    from collector.clock import SystemClock
    from collector.config import SensorConfig
    from collector.intake import Intake
    from collector.payload import build_routes
    from collector.store.opening import open_store

    entries = [
        SensorConfig(
            place=f"s{i:05d}", quantity="air_c", topic=f"shed/s{i:05d}/env", pointer="/air", time_pointer="/t"
        )
        for i in range(TOPICS)
    ]
    intake = Intake(open_store(folder / "layday.db"), build_routes(entries), SystemClock())
    intake.start()
    acknowledge = client.acknowledge

    def counted(tokens: Sequence[object]) -> None:
        acknowledge(tokens)
        meter.took(len(tokens))

    client.acknowledge = counted  # type: ignore[method-assign]
    sink = intake.sink(client)
    deliver = sink.messages

    def timed(batch: Sequence[Message]) -> None:
        if meter.began_s == 0:
            meter.begin()
        deliver(batch)

    sink.messages = timed  # type: ignore[method-assign]
    client.start(sink)


def consume(kind: str, port: int, count: int, folder: Path) -> None:
    """Be a row's process: print ``ready``, then what it measured."""
    meter = Meter(count)
    if kind == "paho":
        paho_client(port, meter)
    else:
        our_client(kind, port, meter, folder)
    meter.done.wait(300)
    time.sleep(0.3)  # the last acknowledgements leave
    print(json.dumps([meter.rate, meter.cpu_us, memory_mb(os.getpid())]), flush=True)
    os._exit(0)


def memory_mb(pid: int) -> float:
    """Return the most memory a process ever held; 0 once it has ended."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return next((int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM")), 0.0)


def start(kind: str, port: int, count: int, folder: Path) -> subprocess.Popen[str]:
    """Start a row's process; mosquitto_sub with a `count` of 0 only leaves a session behind."""
    from tests.mosquitto import program

    if kind == "sub":
        sub = [program("mosquitto_sub", "mosquitto-clients"), "-p", str(port), "-i", "bench", "-c", "-q", "1"]
        command = [*sub, "-t", "shed/#", *(["-C", str(count)] if count else ["-E"])]
        return subprocess.Popen(command, stdout=subprocess.DEVNULL, text=True)
    command = [
        sys.executable,
        "-m",
        "tests.bench.broker_rate",
        "consume",
        kind,
        str(port),
        str(count),
        str(folder),
    ]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def finish(kind: str, process: subprocess.Popen[str], count: int, began_s: float) -> list[float]:
    """Return messages/s, processor µs per message, and MB."""
    if kind == "sub":
        peak_mb = 0.0
        while not (waited := os.wait4(process.pid, os.WNOHANG))[0]:
            peak_mb = max(peak_mb, memory_mb(process.pid))
            time.sleep(0.002)
        used = waited[2]
        took_s = time.perf_counter() - began_s
        process.returncode = 0
        return [count / took_s, (used.ru_utime + used.ru_stime) / count * 1e6, peak_mb]
    assert process.stdout is not None
    found: list[float] = json.loads(process.stdout.readline())
    process.wait()
    process.stdout.close()
    return found


def until_ready(kind: str, process: subprocess.Popen[str]) -> None:
    if kind == "sub":
        time.sleep(0.5)
    elif process.stdout is not None:
        assert process.stdout.readline() == "ready\n"


def live(kind: str, count: int, broker: Mosquitto, folder: Path) -> list[float]:
    process = start(kind, broker.port, count, folder)
    until_ready(kind, process)
    began_s = time.perf_counter()
    publisher = subprocess.Popen(
        [sys.executable, "-m", "tests.bench.broker_rate", "publish", str(broker.port), str(count)]
    )
    found = finish(kind, process, count, began_s)
    publisher.wait()
    return found


def drain(kind: str, count: int, broker: Mosquitto, folder: Path) -> list[float]:
    start("sub", broker.port, 0, folder).wait()  # leaves a session for the id that all share
    publish(broker.port, count)
    began_s = time.perf_counter()
    process = start(kind, broker.port, count, folder)
    if kind != "sub":
        until_ready(kind, process)
    return finish(kind, process, count, began_s)


def measure(run: Callable[[str, int, Mosquitto, Path], list[float]], kind: str, count: int) -> list[float]:
    """Run one cell on a broker of its own."""
    from tests.mosquitto import Mosquitto

    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name) / "broker", verbose=False) as broker:
        return run(kind, count, broker, Path(name))


def main() -> None:
    """Print the table; the median of three runs a cell."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    print(f"{count} messages of {len(payload(0))} bytes, {TOPICS} topics, QoS 1; median of three")
    print(f"{'':44}{'live/s':>9}{'µs CPU':>8}{'drain/s':>9}{'µs CPU':>8}{'MB':>6}")
    for kind, name in NAMES.items():
        cells = []
        for run in (live, drain):
            found = sorted(measure(run, kind, count) for _ in range(3))
            cells.append(found[1])
        (live_rate, live_us, _), (drain_rate, drain_us, rss_mb) = cells
        print(
            f"{name:44}{live_rate:9.0f}{live_us:8.1f}{drain_rate:9.0f}{drain_us:8.1f}{rss_mb:6.0f}",
            flush=True,
        )


if __name__ == "__main__":
    if sys.argv[1:2] == ["consume"]:
        consume(sys.argv[2], int(sys.argv[3]), int(sys.argv[4]), Path(sys.argv[5]))
    elif sys.argv[1:2] == ["publish"]:
        publish(int(sys.argv[2]), int(sys.argv[3]))
    else:
        main()
