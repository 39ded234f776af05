"""A simulated yard: 200 sheds with 10 sensors each, every 10 s, forwarded into one central store.

Each shed is a store and a forwarder of its own, all of them worked in one process; the values are
invented. Then real commands are timed: `layday yard`, and `layday yard --refresh` on two processes.

Run as ``python -m tests.bench.yard``; it lasts as long as the yard is simulated (``--minutes 15``).
"""

import argparse
import json
import math
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from collector.clock import SystemClock
from collector.config import Config
from collector.domain import Reading
from collector.forward.forwarder import Forwarder, Note
from collector.forward.sender import Sender
from collector.forward.spool import Spool
from collector.shared_settings import settings_text
from collector.store.address import NO_ACCESS, Address
from collector.store.opening import open_store
from forecast.shed_limits import limits_of
from forecast.yard_numbers import limit_numbers
from tests.central import KINDS, running

EVERY_S = 10.0
HISTORY_STEP = timedelta(minutes=5)
SENSORS = {
    **{f"{bay}.{what}": middle for bay, middle_c in (("keel", 19.0), ("sheer", 16.5)) for what, middle in
       (("air_c", middle_c), ("humidity_pct", 60.0), ("part_c", middle_c - 1.0))},
    "outdoor.air_c": 9.0, "outdoor.humidity_pct": 80.0, "heater.on_pct": 40.0, "heater.gas_kg": 20.0,
}  # fmt: skip
COMMAND = (sys.executable, "-c", "from dashboards.cli import main; main()")


class Shed:
    """One shed: a store, a forwarder, and what its ten sensors say."""

    def __init__(self, name: str, folder: Path, address: Address) -> None:
        path = folder / f"{name}.sqlite"
        clock, to = SystemClock(), address.of(name)
        config = Config()
        note = Note("settings", settings_text(config), limit_numbers(limits_of(config.limits)))
        self.name = name
        self._random = Random(name)
        self._phase = self._random.uniform(0.0, math.tau)
        self.store = open_store(path)
        self.spool = Spool(path)
        self.spool.begin(str(to))
        self._sender = Sender(to, NO_ACCESS, "layday", clock)
        self.forwarder = Forwarder(
            self.spool,
            self._sender,
            clock,
            shed=name,
            address=str(to),
            notes=lambda: [note],
            every_s=600.0,
        )

    def readings(self, at: datetime) -> list[Reading]:
        """Return what its sensors say at a moment: a day's wave and a little noise."""
        wave = math.sin(at.timestamp() / 86_400 * math.tau + self._phase)
        found = []
        for name, middle in SENSORS.items():
            swing = -8.0 if name.endswith("_pct") else 3.0
            value = round(middle + swing * wave + self._random.uniform(-0.1, 0.1), 2)
            found.append(Reading(name, at, value, at))
        return found

    def forward(self) -> None:
        """Copy all that waits."""
        while self.forwarder.step():
            pass

    def close(self) -> None:
        """Close files and connections."""
        for each in (self._sender, self.spool, self.store):
            each.close()


@contextmanager
def yard_of(count: int, folder: Path, address: Address) -> Iterator[list[Shed]]:
    """Open the sheds of a yard."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))  # some ten files a shed
    with ExitStack() as stack:
        sheds = [Shed(f"shed{i:03d}", folder, address) for i in range(count)]
        for shed in sheds:
            stack.callback(shed.close)
        yield sheds


def remember(sheds: list[Shed], days: float) -> int:
    """Give each shed a past, and forward it; return how many readings that were."""
    now = SystemClock().now()
    steps = int(timedelta(days=days) / HISTORY_STEP)
    count = 0
    for shed in sheds:
        past = [reading for i in range(steps, 0, -1) for reading in shed.readings(now - i * HISTORY_STEP)]
        for low in range(0, len(past), 5000):
            shed.store.add(past[low : low + 5000])
        count += len(past)
        shed.forward()
    return count


def live(sheds: list[Shed], minutes: float) -> tuple[int, float]:
    """Run the yard in real time; return readings and the longest that a round of all sheds took [s]."""
    count, longest_s = 0, 0.0
    began_s = time.monotonic()
    for turn in range(max(1, round(minutes * 60 / EVERY_S))):
        time.sleep(max(0.0, began_s + turn * EVERY_S - time.monotonic()))
        round_s = time.monotonic()
        for shed in sheds:
            said = shed.readings(SystemClock().now())
            shed.store.add(said)
            shed.forward()
            count += len(said)
        longest_s = max(longest_s, time.monotonic() - round_s)
    return count, longest_s


def timed(*words: str) -> tuple[float, float, str]:
    """Run a command; return how long it took [s], its processor time [s], and what it answered."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began_s = time.monotonic()
    done = subprocess.run([*COMMAND, *words], capture_output=True, text=True, check=False)
    assert done.returncode in {0, 10, 11, 12}, done.stderr
    took_s = time.monotonic() - began_s
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return took_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, done.stdout


def main() -> None:
    """Simulate, ask, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=KINDS, default="influx")
    parser.add_argument("--sheds", type=int, default=200)
    parser.add_argument("--minutes", type=float, default=15.0)
    parser.add_argument("--history-days", type=float, default=3.0)
    asked = parser.parse_args()
    with running(asked.kind) as central, TemporaryDirectory() as folder:
        address = central.make_bucket("yard")
        with yard_of(asked.sheds, Path(folder), address) as sheds:
            began_s = time.monotonic()
            past = remember(sheds, asked.history_days)
            past_s = time.monotonic() - began_s
            count, longest_s = live(sheds, asked.minutes)
            central.settled()
            yards = [timed("--store", str(address), "yard", "--json") for _ in range(3)]
            refresh_s, refresh_cpu_s, answer = timed(
                "--store", str(address), "yard", "--refresh", "--jobs", "2", "--json"
            )
    told = json.loads(answer)["sheds"]
    assert len(told) == asked.sheds
    outlooks = sum(one["outlook_at"] is not None for one in told)
    sensors = asked.sheds * len(SENSORS)
    print(
        f"{asked.kind}: {asked.sheds} sheds, {sensors} sensors, every {EVERY_S:g} s for {asked.minutes:g} min"
    )
    print(f"  past of {asked.history_days:g} days: {past} readings written and forwarded in {past_s:.0f} s")
    print(f"  live: {count} readings; the slowest round of all sheds took {longest_s:.2f} s")
    for took_s, cpu_s, _ in yards:
        print(f"  layday yard: {took_s:.2f} s (processor {cpu_s:.2f} s)")
    print(
        f"  layday yard --refresh --jobs 2: {outlooks} outlooks in {refresh_s:.1f} s "
        f"(processor {refresh_cpu_s:.1f} s)"
    )


if __name__ == "__main__":
    main()
