"""What is measured by `tests.bench.intake`: each kind of consumer in a process of its own.

Run as ``python -m tests.bench.consumers KIND PORT COUNT FOLDER``; it prints a line once messages may
come, with the port where they should go, and one of JSON (`Measured`) when the last has been dealt with.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from tests.proc import taken

if TYPE_CHECKING:  # each process imports only what it measures: memory is a column
    from collections.abc import Sequence

    from collector.broker_client import BrokerClient
    from collector.domain import Rejected
    from collector.listener import Listener
    from collector.source import Message, Sink


class Measured(NamedTuple):
    """When the first message came and the last was dealt with (monotonic), and what that took."""

    began_s: float
    ended_s: float
    cpu_s: float
    memory_mb: float
    written_bytes: int


class Meter:
    """Counts to the last message, and takes time and processor from the first."""

    def __init__(self, count: int) -> None:
        self._left = count
        self._began_s = 0.0
        self._before = taken(os.getpid())
        self._over = threading.Event()
        self._measured: Measured | None = None

    def begin(self) -> None:
        """Note the first message."""
        if not self._began_s:
            self._began_s, self._before = time.monotonic(), taken(os.getpid())

    def took(self, count: int) -> None:
        """Note messages that have been dealt with."""
        self._left -= count
        if self._left <= 0 and self._measured is None:
            ended_s, now, before = time.monotonic(), taken(os.getpid()), self._before
            self._measured = Measured(
                began_s=self._began_s,
                ended_s=ended_s,
                cpu_s=now.cpu_s - before.cpu_s,
                memory_mb=now.peak_mb,
                written_bytes=now.written_bytes - before.written_bytes,
            )
            self._over.set()

    def result(self) -> Measured:
        """Wait for the last message."""
        self._over.wait(300)
        assert self._measured is not None, f"{self._left} messages did not come"
        return self._measured


class _EagerSink:
    """Acknowledges at once: what is left is the source's own work."""

    def __init__(self, source: Listener | BrokerClient) -> None:
        self._source = source

    def messages(self, batch: Sequence[Message]) -> None:
        self._source.acknowledge([message.token for message in batch])

    def rejected(self, item: Rejected) -> None:
        raise AssertionError(item)

    def has_room(self) -> bool:
        return True


def paho(port: int, meter: Meter) -> int:
    """Receive with a callback that only counts, and paho's own acknowledgement."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    client = Client(CallbackAPIVersion.VERSION2, client_id="bench", clean_session=False)
    subscribed = threading.Event()

    def on_message(*_: object) -> None:
        meter.begin()
        meter.took(1)

    client.on_message = on_message
    client.on_connect = lambda *_: client.subscribe("shed/#", 1) and None
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    subscribed.wait()
    return port


def broker(port: int, meter: Meter, folder: Path, *, stock: bool) -> int:
    """Receive with layday's client, through its intake into its store."""
    from collector.broker_client import BrokerClient
    from collector.broker_wire import StockWire
    from collector.clock import SystemClock
    from collector.source_config import BrokerConfig

    client = BrokerClient(
        BrokerConfig(host="127.0.0.1", port=port, client_id="bench"), ["shed/#"], SystemClock()
    )
    if stock:
        client._wire = StockWire
    _start(client, meter, folder)
    while not client._memory.subscribed:
        time.sleep(0.001)
    return port


def listener(meter: Meter, folder: Path | None) -> int:
    """Listen, with intake and store behind it or, without a folder, nothing."""
    from collector.clock import SystemClock
    from collector.listener import Limits, Listener
    from collector.source_config import ListenerConfig

    config = ListenerConfig().model_copy(update={"port": 0})
    source = Listener(config, SystemClock(), Limits(packets_per_s=10**9))
    _start(source, meter, folder)
    return source.port


def _start(source: Listener | BrokerClient, meter: Meter, folder: Path | None) -> None:
    """Start a source whose messages and acknowledgements the meter sees."""
    acknowledge = source.acknowledge

    def counted(tokens: Sequence[object]) -> None:
        acknowledge(tokens)
        meter.took(len(tokens))

    source.acknowledge = counted  # type: ignore[method-assign]
    sink = _intake_sink(source, folder) if folder else _EagerSink(source)
    deliver = sink.messages

    def timed(batch: Sequence[Message]) -> None:
        meter.begin()
        deliver(batch)

    sink.messages = timed  # type: ignore[method-assign]
    source.start(sink)


def _intake_sink(source: Listener | BrokerClient, folder: Path) -> Sink:
    from collector.clock import SystemClock
    from collector.intake import Intake
    from collector.memory import settle_memory
    from collector.payload import build_routes
    from collector.sensor_config import SensorConfig
    from collector.store.opening import open_store
    from tests.bench.publishers import TOPICS, topic

    entries = [
        SensorConfig(place=f"s{i:05d}", quantity="air_c", topic=topic(i), pointer="/air", time_pointer="/t")
        for i in range(TOPICS)
    ]
    intake = Intake(open_store(folder / "layday.db"), build_routes(entries), SystemClock())
    settle_memory()  # as the daemon does
    intake.start()
    return intake.sink(source)


def main(kind: str, port: int, count: int, folder: Path) -> None:
    """Be a consumer of `count` messages."""
    meter = Meter(count)
    match kind:
        case "paho":
            at = paho(port, meter)
        case "stock" | "broker":
            at = broker(port, meter, folder, stock=kind == "stock")
        case "eager":
            at = listener(meter, None)
        case "listener":
            at = listener(meter, folder)
        case _:
            raise AssertionError(kind)
    print(at, flush=True)
    print(json.dumps(meter.result()), flush=True)
    sys.stdin.readline()  # until the publishers have their last acknowledgements
    os._exit(0)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))
