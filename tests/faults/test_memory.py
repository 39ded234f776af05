"""Unbounded memory: what waits for a store that takes nothing must not fill the machine."""

import sqlite3
import threading
import time
from contextlib import closing, suppress
from pathlib import Path

from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import RawClient
from tests.end_to_end.layday import Layday
from tests.faults.support import TOPIC, expecting_failure_if, installation, running, say, sound_and
from tests.proc import taken

CLIENTS = 40
PAYLOAD = b'"' + b"x" * 200_000 + b'"'
FLOOD_S = 6.0
# intake's 64 MB, 40 clients with up to 4 MiB each before their sockets rest, the daemon's own 60 MB
MOST_MB = 64 + CLIENTS * 4.2 + 60 + 20


def _flood(layday: Layday, over: threading.Event) -> None:
    """Publish large payloads as fast as they are taken."""
    with suppress(OSError), RawClient(layday.port) as raw:
        raw.socket.settimeout(1.0)
        raw.send(client.connect(4, f"flood{threading.get_ident()}"))
        packet_id = 0
        while not over.is_set():
            packet_id = packet_id % 65_535 + 1
            raw.send(client.publish(TOPIC, PAYLOAD, qos=1, packet_id=packet_id))


@sound_and("hoarding")
def test_a_flood_into_a_store_that_takes_nothing_fills_a_bounded_memory(tmp_path: Path, defect: str) -> None:
    with running(installation(tmp_path, defect)) as layday:
        over = threading.Event()
        with closing(sqlite3.connect(layday.store, isolation_level=None)) as greedy:
            greedy.execute("BEGIN IMMEDIATE")
            threads = [threading.Thread(target=_flood, args=(layday, over)) for _ in range(CLIENTS)]
            for thread in threads:
                thread.start()
            most_mb, began_s = 0.0, time.monotonic()
            while time.monotonic() < began_s + FLOOD_S and most_mb < 2 * MOST_MB:
                most_mb = max(most_mb, taken(layday.pid).memory_mb)
                time.sleep(0.05)
            over.set()
            for thread in threads:
                thread.join(10)
            greedy.execute("ROLLBACK")
        with expecting_failure_if(defect):
            assert most_mb < MOST_MB
        if not defect:
            assert say(layday, b'{"t": 1775000000, "air_c": 20}', timeout_s=20.0), "and then it goes on"
