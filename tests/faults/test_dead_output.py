"""Failure 6: one output that is dead or slow stalls everything else."""

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import RawClient
from tests.end_to_end.layday import Layday
from tests.faults.support import (
    TOPIC,
    expecting_failure_if,
    installation,
    reading,
    running,
    say,
    sound_and,
)

VIEWER = """
import sys
from pathlib import Path
from collector.store.opening import open_store
with open_store(Path(sys.argv[1]), read_only=True)._database.reading() as con:
    con.execute("SELECT * FROM reading").fetchone()
    print("reading", flush=True)
    sys.stdin.read()
"""


@contextmanager
def deaf_systemd(path: Path) -> Iterator[None]:
    """Be a systemd that has fallen asleep: its socket is there, and full."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(path))
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as full, suppress(BlockingIOError):
            full.setblocking(False)
            while True:
                full.sendto(b"WATCHDOG=1", str(path))
        yield


@contextmanager
def frozen_viewer(layday: Layday) -> Iterator[None]:
    """Be a screen that hangs in the midst of reading the store."""
    viewer = subprocess.Popen(
        [sys.executable, "-c", VIEWER, str(layday.store)], stdout=subprocess.PIPE, stdin=subprocess.PIPE
    )
    try:
        assert viewer.stdout is not None
        assert viewer.stdout.readline() == b"reading\n"
        viewer.send_signal(signal.SIGSTOP)
        yield
    finally:
        viewer.kill()
        viewer.communicate()


@contextmanager
def client_that_fetches_nothing(layday: Layday) -> Iterator[None]:
    """Be a sensor that publishes and never reads its acknowledgements."""
    with RawClient(layday.port, receive_buffer=4096) as raw:
        raw.send(client.connect(4, "deaf"))
        raw.send(b"".join(client.publish(TOPIC, b"damp", qos=1, packet_id=n) for n in range(1, 3000)))
        yield


@sound_and("waits_for_outputs")
def test_outputs_that_hang_hold_up_no_reading(tmp_path: Path, defect: str) -> None:
    with running(installation(tmp_path, defect)) as layday:
        with frozen_viewer(layday), client_that_fetches_nothing(layday), expecting_failure_if(defect):
            for number in range(5):
                assert say(layday, reading(number), timeout_s=4.0), f"reading {number} is held up"
        if not defect:
            assert layday.stop() < 3.0


@sound_and("waits_for_systemd")
def test_a_systemd_that_does_not_listen_holds_up_neither_readings_nor_the_end(
    tmp_path: Path, defect: str
) -> None:
    layday = installation(tmp_path, defect)
    layday.env["NOTIFY_SOCKET"] = str(tmp_path / "notify")
    with deaf_systemd(tmp_path / "notify"), running(layday), expecting_failure_if(defect):
        assert say(layday, reading(1))
        time.sleep(1.2)  # the next word for the watchdog
        with suppress(subprocess.TimeoutExpired):
            assert layday.stop() < 3.0
            return
        raise AssertionError("it does not heed SIGTERM")
