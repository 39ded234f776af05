"""How fast the listener is: ``python -m tests.bench.listener_rate [--messages 200000] [--rounds 3]``.

QoS 1 messages of 58 bytes over 10,000 topics go to the listener, whose sink acknowledges at
once, and through a real mosquitto to ``mosquitto_sub > /dev/null``, the practical ceiling of
a consumer: live, and as a drain of messages queued before it came. Medians of the rounds.
"""

import argparse
import multiprocessing as mp
import os
import resource
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from multiprocessing.connection import Connection as Pipe
from multiprocessing.synchronize import Barrier
from pathlib import Path
from statistics import median
from typing import NamedTuple

from collector.clock import SystemClock
from collector.config import ListenerConfig
from collector.domain import Rejected
from collector.listener import Limits, Listener
from collector.source import Message
from tests.collector.listener import client_bytes as client
from tests.mosquitto import free_port, program

PAYLOAD = b'{"temp_c":21.34,"humidity_pct":55.12,"t":1709294400123456}'
TOPICS = 10_000
CHUNK = 1_000
SPAWN = mp.get_context("spawn")


class Run(NamedTuple):
    """One consumer's round: messages a second, processor time a message, most memory."""

    rate: float
    cpu_us: float
    memory_mb: float


class EagerSink:
    """Counts, and acknowledges at once; all that is left is the listener's own work."""

    def __init__(self, listener: Listener, count: int) -> None:
        self._listener = listener
        self._left = count
        self.done = threading.Event()

    def messages(self, batch: Sequence[Message]) -> None:
        self._listener.acknowledge([message.token for message in batch])
        self._left -= len(batch)
        if self._left <= 0:
            self.done.set()

    def rejected(self, item: Rejected) -> None:
        raise AssertionError(item)

    def has_room(self) -> bool:
        return True


def publish(port: int, publisher: int, count: int, ready: Barrier) -> None:
    """Publish as fast as a socket takes it; return when every message is acknowledged."""
    with socket.create_connection(("127.0.0.1", port), timeout=120) as sock:
        sock.sendall(client.connect(4, f"publisher{publisher}", keep_alive_s=0))
        sock.recv(4, socket.MSG_WAITALL)
        chunks = [
            b"".join(
                client.publish(f"shed/bay{(start + i) % TOPICS}/air", PAYLOAD, qos=1, packet_id=i + 1)
                for i in range(CHUNK)
            )
            for start in range(0, TOPICS, CHUNK)
        ]

        def read_acknowledgements() -> None:
            left = 4 * count
            while left:
                left -= len(sock.recv(65_536))

        reader = threading.Thread(target=read_acknowledgements)
        ready.wait()
        reader.start()
        for i in range(count // CHUNK):
            sock.sendall(chunks[i % len(chunks)])
        reader.join()


def publish_from(publishers: int, port: int, count: int) -> float:
    """Publish `count` in all from several processes; return when they began."""
    ready = SPAWN.Barrier(publishers + 1)
    workers = [
        SPAWN.Process(target=publish, args=(port, i, count // publishers, ready)) for i in range(publishers)
    ]
    for worker in workers:
        worker.start()
    ready.wait()
    began_s = time.monotonic()
    for worker in workers:
        worker.join()
    return began_s


def listen(pipe: Pipe, count: int) -> None:
    """Be the process with the listener in it."""
    config = ListenerConfig().model_copy(update={"port": 0})
    listener = Listener(config, SystemClock(), Limits(packets_per_s=10**9))
    sink = EagerSink(listener, count)
    listener.start(sink)
    before_s = time.process_time()
    pipe.send(listener.port)
    sink.done.wait()
    spent_s = time.process_time() - before_s
    pipe.send((time.monotonic(), spent_s, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024))
    pipe.recv()  # until the publishers have their last acknowledgements
    listener.stop()


def listener_round(publishers: int, count: int) -> Run:
    """Measure the listener."""
    ours, theirs = SPAWN.Pipe()
    process = SPAWN.Process(target=listen, args=(theirs, count))
    process.start()
    port = ours.recv()
    began_s = publish_from(publishers, port, count)
    ended_s, spent_s, memory_mb = ours.recv()
    ours.send("done")
    process.join()
    return Run(count / (ended_s - began_s), spent_s / count * 1e6, memory_mb)


class Broker:
    """A quiet mosquitto with room for a queue."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        conf = folder / "mosquitto.conf"
        conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nlog_dest none\n"
            "max_queued_messages 1000000\nmax_inflight_messages 1000\n"
        )
        self.process = subprocess.Popen([program("mosquitto", "mosquitto"), "-c", str(conf)])
        for _ in range(500):
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
            except OSError:
                time.sleep(0.01)
            else:
                return
        raise RuntimeError("mosquitto does not answer")

    def subscriber(self, *options: str) -> subprocess.Popen[bytes]:
        """Start mosquitto_sub with a lasting session."""
        command = [program("mosquitto_sub", "mosquitto-clients"), "-p", str(self.port), "-q", "1"]
        command += ["-t", "shed/#", "-c", "-i", "consumer", *options]
        return subprocess.Popen(command, stdout=subprocess.DEVNULL)


class Ended(NamedTuple):
    """How a process ended."""

    at_s: float
    spent_s: float
    memory_mb: float


def watch(consumer: subprocess.Popen[bytes]) -> Ended:
    """Wait for a process; its memory is read while it lives, as `ru_maxrss` has its parent's in it."""
    memory_kb = 0
    status = Path(f"/proc/{consumer.pid}/status")
    while True:
        ended, _, used = os.wait4(consumer.pid, os.WNOHANG)
        if ended:
            break
        lines = [line.split()[1] for line in status.read_text().splitlines() if line.startswith("VmHWM")]
        memory_kb = max(memory_kb, *map(int, lines), 0)
        time.sleep(0.005)
    consumer.returncode = 0  # it has been waited for
    return Ended(time.monotonic(), used.ru_utime + used.ru_stime, memory_kb / 1024)


def subscriber_round(publishers: int, count: int, *, drain: bool) -> Run:
    """Measure mosquitto_sub behind a real broker."""
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(1) as pool:
        broker = Broker(Path(folder))
        try:
            broker.subscriber("-E").wait()  # leaves its subscription behind
            if drain:
                publish_from(publishers, broker.port, count)
                began_s = time.monotonic()
                ended = watch(broker.subscriber("-C", str(count)))
            else:
                watching = pool.submit(watch, broker.subscriber("-C", str(count)))
                began_s = publish_from(publishers, broker.port, count)
                ended = watching.result()
        finally:
            broker.process.terminate()
            broker.process.wait()
    return Run(count / (ended.at_s - began_s), ended.spent_s / count * 1e6, ended.memory_mb)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Measure the listener against mosquitto_sub.")
    parser.add_argument("--messages", type=int, default=200_000)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    count = asked.messages // (4 * CHUNK) * 4 * CHUNK
    print(f"{'consumer':40}{'msg/s':>9}{'CPU us/msg':>12}{'memory MB':>11}{'ratio':>8}")
    for publishers in (1, 4):
        consumers: dict[str, Callable[[], Run]] = {
            "mosquitto_sub, live": partial(subscriber_round, publishers, count, drain=False),
            "mosquitto_sub, drain": partial(subscriber_round, publishers, count, drain=True),
            "listener": partial(listener_round, publishers, count),
        }
        runs: dict[str, list[Run]] = {name: [] for name in consumers}
        for _ in range(asked.rounds):
            for name, measure in consumers.items():
                runs[name].append(measure())
        ceiling = median(run.rate for run in runs["mosquitto_sub, live"])
        for name, its_runs in runs.items():
            rate = median(run.rate for run in its_runs)
            cpu_us = median(run.cpu_us for run in its_runs)
            memory_mb = median(run.memory_mb for run in its_runs)
            label = f"{name}, {publishers} publishing"
            print(f"{label:40}{rate:9,.0f}{cpu_us:12.1f}{memory_mb:11.0f}{rate / ceiling:8.2f}")


if __name__ == "__main__":
    main()
