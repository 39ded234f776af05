"""How readings come in, all in one run: ``python -m tests.bench.intake [--messages N] [--rounds N]``.

The same publishers send QoS 1 messages of 58 bytes over 10,000 topics to each consumer: through a real
mosquitto, or straight to the listener. ``mosquitto_sub > /dev/null`` is the practical ceiling of a
consumer. *Live*: the consumer is there; *drain*: the broker has queued all before it came. Medians of
the rounds, taken in turn. Then the store on its own at ten million rows, and the idle daemon.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from statistics import median
from typing import NamedTuple

from tests.bench import idle, store_rows
from tests.bench.consumers import Measured
from tests.bench.publishers import publish_from
from tests.mosquitto import Mosquitto, program
from tests.proc import taken

NAMES = {
    "sub": "mosquitto_sub > /dev/null",
    "paho": "paho, empty callback",
    "stock": "broker source by stock paho, intake, store",
    "broker": "broker source, intake, store, PUBACK",
    "eager": "listener alone, acknowledging at once",
    "listener": "listener, intake, store, PUBACK",
}
_DIRECT = {"eager", "listener"}


class Row(NamedTuple):
    """One consumer's round."""

    rate: float
    cpu_us: float
    memory_mb: float
    written_bytes: float


class Consumer:
    """A consumer's process; `port` is where messages go."""

    def __init__(self, kind: str, port: int, count: int, folder: Path) -> None:
        self._kind = kind
        if kind == "sub":
            sub = [program("mosquitto_sub", "mosquitto-clients"), "-p", str(port), "-i", "bench", "-c"]
            command = [*sub, "-q", "1", "-t", "shed/#", *(["-C", str(count)] if count else ["-E"])]
            self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, text=True)
            self.port, self._began_s = port, time.monotonic()
            return
        module = [sys.executable, "-m", "tests.bench.consumers"]
        self._process = subprocess.Popen(
            [*module, kind, str(port), str(count), str(folder)],
            stdout=subprocess.PIPE,
            stdin=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout is not None
        self.port = int(self._process.stdout.readline())

    def ended(self) -> Measured:
        """Wait until the last message has been dealt with."""
        if self._kind != "sub":
            assert self._process.stdout is not None
            return Measured(*json.loads(self._process.stdout.readline()))
        memory_mb = 0.0
        while not (waited := os.wait4(self._process.pid, os.WNOHANG))[0]:
            memory_mb = max(memory_mb, taken(self._process.pid).peak_mb)
            time.sleep(0.005)
        self._process.returncode = 0  # it has been waited for
        cpu_s = waited[2].ru_utime + waited[2].ru_stime
        return Measured(self._began_s, time.monotonic(), cpu_s, memory_mb, 0)

    def dismiss(self) -> None:
        """Let it go, once the publishers have all their acknowledgements."""
        self._process.communicate("\n" if self._process.stdin else None)


def live(kind: str, publishers: int, count: int, folder: Path) -> Row:
    """Measure a consumer that is there when the publishers begin."""
    with Mosquitto(folder / "broker", verbose=False) as broker, ThreadPoolExecutor(1) as pool:
        if kind == "sub":
            Consumer("sub", broker.port, 0, folder).dismiss()  # its subscription stays behind
        consumer = Consumer(kind, broker.port, count, folder)
        watching = pool.submit(consumer.ended)
        began_s = publish_from(publishers, consumer.port, count)
        measured = watching.result()
        consumer.dismiss()
    return _row(measured, began_s, count)


def drain(kind: str, count: int, folder: Path) -> Row:
    """Measure a consumer of what the broker has queued before."""
    with Mosquitto(folder / "broker", verbose=False) as broker:
        Consumer("sub", broker.port, 0, folder).dismiss()
        publish_from(1, broker.port, count)
        consumer = Consumer(kind, broker.port, count, folder)
        measured = consumer.ended()
        consumer.dismiss()
    return _row(measured, measured.began_s, count)


def _row(measured: Measured, began_s: float, count: int) -> Row:
    return Row(
        rate=count / (measured.ended_s - began_s),
        cpu_us=measured.cpu_s / count * 1e6,
        memory_mb=measured.memory_mb,
        written_bytes=measured.written_bytes / count,
    )


def _rows(rounds: int, count: int) -> dict[tuple[str, str], Row]:
    """Measure everything in turn; return the medians by consumer and way."""
    found: dict[tuple[str, str], list[Row]] = {}
    for _ in range(rounds):
        for kind in NAMES:
            for way in ("live 1", "live 4", "drain"):
                if way == "drain" and kind in _DIRECT:
                    continue
                with tempfile.TemporaryDirectory() as name:
                    folder = Path(name)
                    row = (
                        drain(kind, count, folder)
                        if way == "drain"
                        else live(kind, int(way[-1]), count, folder)
                    )
                found.setdefault((kind, way), []).append(row)
    return {key: Row(*map(median, zip(*rows, strict=True))) for key, rows in found.items()}


def table(rounds: int, count: int) -> None:
    """Print how fast each consumer is."""
    print(f"{count:,} messages at QoS 1, 10,000 topics; median of {rounds}; ratio to mosquitto_sub, live")
    print(
        f"{'':42}{'1 pub/s':>9}{'ratio':>6}{'4 pub/s':>9}{'ratio':>6}{'drain/s':>9}"
        f"{'CPU us':>8}{'MB':>5}{'B written':>10}"
    )
    rows = _rows(rounds, count)
    for kind, name in NAMES.items():
        one, four, drained = rows[kind, "live 1"], rows[kind, "live 4"], rows.get((kind, "drain"))
        print(
            f"{name:42}{one.rate:9,.0f}{one.rate / rows['sub', 'live 1'].rate:6.2f}"
            f"{four.rate:9,.0f}{four.rate / rows['sub', 'live 4'].rate:6.2f}"
            f"{f'{drained.rate:,.0f}' if drained else '':>9}"
            f"{four.cpu_us:8.1f}{four.memory_mb:5.0f}{four.written_bytes:10.0f}"
        )


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(description="Measure intake against mosquitto_sub and paho.")
    parser.add_argument("--messages", type=int, default=200_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--rows", type=int, default=10_000_000, help="rows of the store; 0 leaves it out")
    parser.add_argument("--idle-s", type=float, default=120.0, help="how long to watch the idle daemon")
    asked = parser.parse_args()
    if asked.messages:
        table(asked.rounds, asked.messages // 4 * 4)
    if asked.idle_s:
        found = idle.idle(asked.idle_s)
        print(f"idle daemon, {idle.SENSORS} sensors at {idle.EVERY_S:g} s, {asked.idle_s:g} s watched")
        print(f"  memory, at most          {found.memory_mb:>10.1f} MB (target: under 60)")
        print(f"  processor                {found.cpu_pct:>10.2f} % of a core (target: under 1)")
        print(f"  written to disk          {found.written_bytes_a_reading:>10.0f} bytes a reading")
        print(f"  threads                  {found.threads:>10}")
    if asked.rows:
        store_rows.main(asked.rows, 50)


if __name__ == "__main__":
    main()
