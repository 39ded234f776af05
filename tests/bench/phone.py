"""What the phone page takes beside a real daemon, with 20 pages open that each fetch every new drawing.

python -m tests.bench.phone [--seconds 60]
"""

import argparse
import re
import socket
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.end_to_end.test_outlook import QUANTITIES, TOPIC, child_of, with_readings
from tests.mosquitto import free_port
from tests.proc import taken

PAGES = 20


def own_mb(pid: int) -> float:
    """Return what goes when a process ends: memory that it shares with nobody [MB]."""
    rollup = Path(f"/proc/{pid}/smaps_rollup").read_text()
    return sum(int(kb) for kb in re.findall(r"^Private_\w+:\s+(\d+)", rollup, re.MULTILINE)) / 1000.0


class OpenPage(threading.Thread):
    """A page left open: it listens for news, and fetches the page whenever there are some."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self._port = port
        self.fetched = 0

    def run(self) -> None:
        """Read until the server goes."""
        known = b""
        with socket.create_connection(("127.0.0.1", self._port), 700.0) as stream:
            stream.sendall(b"GET /events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            heard = b""
            while piece := stream.recv(4096):
                heard += piece
                *told, heard = heard.split(b"\n\n")
                for one in told:
                    if one.startswith(b"event: here") and one != known:
                        known = one
                        urllib.request.urlopen(f"http://127.0.0.1:{self._port}/", timeout=10).read()
                        self.fetched += 1


def measure(seconds: float) -> None:
    """Print what a daemon and its page take, before and with open pages."""
    port = free_port()
    with tempfile.TemporaryDirectory() as folder:
        layday = Layday(Path(folder), f"[phone]\nport = {port}\n" + sensor_lines(TOPIC, QUANTITIES))
        with_readings(layday)
        layday.start()
        try:
            until(lambda: _drawn(port), "the page is drawn", 120.0)
            phone = child_of(layday.pid, "dashboards.phone.service")
            assert phone is not None
            _row("no page open", layday.pid, phone)
            pages = [OpenPage(port) for _ in range(PAGES)]
            for page in pages:
                page.start()
            until(lambda: all(page.fetched for page in pages), "every page is open")
            before, began_s = taken(phone), time.monotonic()
            time.sleep(seconds)
            now, took_s = taken(phone), time.monotonic() - began_s
            _row(f"{PAGES} open", layday.pid, phone)
            print(
                f"{'':14} {100.0 * (now.cpu_s - before.cpu_s) / took_s:.2f} % of a core over {took_s:.0f} s,"
                f" {sum(page.fetched for page in pages)} pages fetched"
            )
        finally:
            layday.end()


def _drawn(port: int) -> bool:
    try:
        return b"Fit to glass now" in urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5).read()
    except OSError:
        return False


def _row(name: str, daemon: int, phone: int) -> None:
    print(
        f"{name:14} page's process {own_mb(phone):5.2f} MB, {taken(phone).threads} threads;"
        f" daemon {own_mb(daemon):5.2f} MB"
    )


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seconds", type=float, default=60.0)
    measure(options.parse_args().seconds)


if __name__ == "__main__":
    main()
