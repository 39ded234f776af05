"""What the daemon takes when little happens: 50 sensors, each with a reading every 10 s."""

import random
import socket
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from tests.collector.listener import client_bytes as client
from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.proc import taken

SENSORS = 50
EVERY_S = 10.0


class Idle(NamedTuple):
    """What `layday run` took: memory at its peak, share of one core, and the disk."""

    memory_mb: float
    cpu_pct: float
    written_bytes_a_reading: float
    threads: int


def idle(seconds: float) -> Idle:
    """Run a daemon of its own with 50 connected sensors and watch it for a while."""
    with tempfile.TemporaryDirectory() as folder:
        topics = [f"shed/s{i}/air" for i in range(SENSORS)]
        sensors = "".join(sensor_lines(name, ["air_c"], f"s{i}") for i, name in enumerate(topics))
        layday = Layday(Path(folder), sensors)
        layday.start()
        try:
            return _watch(layday, topics, seconds)
        finally:
            layday.end()


def _watch(layday: Layday, topics: list[str], seconds: float) -> Idle:
    """Let each sensor publish at its own moment in every 10 s; its last one must be acknowledged by then."""
    peers = [socket.create_connection(("127.0.0.1", layday.port), timeout=10) for _ in topics]
    for i, peer in enumerate(peers):
        peer.sendall(client.connect(4, f"node{i}"))
        assert peer.recv(4, socket.MSG_WAITALL) == b"\x20\x02\x00\x00"
    offsets = random.Random(7)
    order = sorted((offsets.uniform(0, EVERY_S), i) for i in range(len(topics)))
    first_s = 1_775_000_000

    def round_of_all(number: int, until_s: float) -> int:
        began_s, sent = time.monotonic(), 0
        for offset_s, i in order:
            if began_s + offset_s >= until_s:
                break
            time.sleep(max(0.0, began_s + offset_s - time.monotonic()))
            payload = f'{{"t": {first_s + 10 * number}, "air_c": {18 + number % 7 / 10}}}'.encode()
            if number:
                assert peers[i].recv(4, socket.MSG_WAITALL) == b"\x40\x02\x00\x01"
            peers[i].sendall(client.publish(topics[i], payload, qos=1))
            sent += 1
        time.sleep(max(0.0, min(began_s + EVERY_S, until_s) - time.monotonic()))
        return sent

    round_of_all(0, time.monotonic() + EVERY_S)
    before, began_s = taken(layday.pid), time.monotonic()
    sent, number = 0, 1
    while time.monotonic() < began_s + seconds:
        sent += round_of_all(number, began_s + seconds)
        number += 1
    now, took_s = taken(layday.pid), time.monotonic() - began_s
    for peer in peers:
        peer.close()
    until(lambda: len(layday.values("s0.air_c")) >= number - 1, "the readings are in the store")
    return Idle(
        memory_mb=now.peak_mb,
        cpu_pct=(now.cpu_s - before.cpu_s) / took_s * 100,
        written_bytes_a_reading=(now.written_bytes - before.written_bytes) / max(1, sent),
        threads=now.threads,
    )


def main() -> None:
    """Print what a minute took."""
    print(idle(60.0))


if __name__ == "__main__":
    main()
