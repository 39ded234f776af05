"""Readings through a storm: the forwarder killed, the server killed, every answer in between.

``python -m tests.collector.forward.storm`` runs the long form: 50,000 readings, the forwarder killed 20
times and the server 10 times. The suite runs a short one.
"""

import argparse
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory

from collector.clock import to_us
from collector.domain import Reading
from collector.forward.lines import reading_line, series_head
from collector.forward.spool import Spool
from collector.store.address import Address
from collector.store.opening import open_central, open_store
from collector.store.sqlite import SqliteStore
from tests.central import Central, running
from tests.collector.forward.door import FAULTS, Door
from tests.collector.store.examples import FAR, START

SHED = "gull"
SENSORS = tuple(f"{bay}.{what}" for bay in ("keel", "sheer") for what in ("air_c", "humidity_pct", "part_c"))
BATCH = 250
TIMEOUT_S = 1.0
_REQUESTS = 3
_TOO_LATE = datetime(2300, 1, 1, tzinfo=START.tzinfo)  # InfluxDB's time ends in 2262


@dataclass(frozen=True, slots=True)
class Plan:
    """How much goes wrong."""

    readings: int
    kills: int
    server_kills: int
    bad: int = 7
    seed: int = 11


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a storm left: readings lost, wrong or never made, and lines put aside rightly and wrongly."""

    lost: int
    wrong: int
    strange: int
    buried: Sequence[str]
    to_bury: Sequence[str]
    faults: dict[object, int]
    took_s: float


def numbered(number: int, random: Random) -> Reading:
    """Return a reading, a second apart; one in twenty is an hour late."""
    late_s = 3600 if random.random() < 0.05 else 0
    at = START + timedelta(seconds=number - late_s, microseconds=number % 7)
    return Reading(SENSORS[number % len(SENSORS)], at, number / 16, at + timedelta(milliseconds=number % 900))


def bad_line(item: Reading) -> str:
    """Return the line that InfluxDB must refuse."""
    delay_us = to_us(item.received_at) - to_us(item.at)
    return reading_line(series_head(SHED, item.sensor), to_us(item.at), item.value, delay_us, 0)


def storm(central: Central, folder: Path, plan: Plan) -> Outcome:
    """Run one, and compare what is there with what was made."""
    began_s = time.monotonic()
    random = Random(plan.seed)
    path = folder / "layday.db"
    every = [numbered(i, random) for i in range(plan.readings)]
    far = [Reading(SENSORS[0], _TOO_LATE + timedelta(days=i), float(i), START) for i in range(plan.bad)]
    address = central.make_bucket("storm").of(SHED)
    open_store(path).close()
    with Spool(path) as spool, Door(address.url, hang_s=1.3 * TIMEOUT_S, bad=True) as door:
        to = Address("influx", door.url, address.bucket, SHED)
        spool.begin(str(to))
        _work_and_kill(central, door, path, to, _slices(every, far, plan), plan)
        door.behave()
        with _worker(path, to) as worker:
            _await_empty(spool, worker)
        buried = [letter.line for letter in spool.dead_letters()]
    found = _read(address)
    expected = {(r.sensor, to_us(r.at)): r.value for r in every}
    return Outcome(
        lost=len(expected.keys() - found.keys()),
        wrong=sum(found[key] != value for key, value in expected.items() if key in found),
        strange=len(found.keys() - expected.keys()),
        buried=sorted(buried),
        to_bury=sorted(map(bad_line, far)),
        faults=dict(door.counts),
        took_s=time.monotonic() - began_s,
    )


def _slices(every: Sequence[Reading], far: Sequence[Reading], plan: Plan) -> list[list[list[Reading]]]:
    """Cut readings into batches, the impossible ones strewn among them, and those into slices, one a kill."""
    batches = [list(every[i : i + BATCH]) for i in range(0, len(every), BATCH)]
    for i, item in enumerate(far):
        batches[i * len(batches) // max(1, len(far))].append(item)
    size = -(-len(batches) // (plan.kills + plan.server_kills))
    return [batches[i : i + size] for i in range(0, len(batches), size)]


def _work_and_kill(
    central: Central, door: Door, path: Path, to: Address, slices: Sequence[list[list[Reading]]], plan: Plan
) -> None:
    """Write as intake does, and meanwhile kill forwarder and server as often as planned, in odd moments."""
    random = Random(plan.seed + 1)
    orders = ["forwarder"] * plan.kills + ["server"] * plan.server_kills
    random.shuffle(orders)
    store = open_store(path)
    waiting = list(slices)
    while orders:
        with _worker(path, to):
            while orders:
                served = door.served
                _write(store, waiting.pop(0) if waiting else [], random)
                _await_requests(door, served + _REQUESTS)
                time.sleep(random.uniform(0.0, 0.3))
                if orders.pop() == "forwarder":
                    break
                central.kill()
                time.sleep(random.uniform(0.0, 0.3))
                central.start()
    for left in waiting:
        _write(store, left, random)
    store.close()


def _write(store: SqliteStore, batches: Sequence[list[Reading]], random: Random) -> None:
    """Commit batches; now and then closed windows, or all of them, become chunks."""
    for batch in batches:
        store.add(batch)
        if random.random() < 0.05:
            store.compact(random.choice((batch[0].at, FAR)), rest=0.0)
        time.sleep(0.02)


def _await_requests(door: Door, count: int, limit_s: float = 20.0) -> None:
    """Wait until so many requests have come, or none comes for lack of readings."""
    deadline_s = time.monotonic() + limit_s
    while door.served < count and time.monotonic() < deadline_s:
        time.sleep(0.01)


@contextmanager
def _worker(path: Path, to: Address) -> Iterator["subprocess.Popen[bytes]"]:
    """Run a forwarder from its start, and kill -9 it."""
    command = [sys.executable, "-m", "tests.collector.forward.worker", str(path), str(to), str(TIMEOUT_S)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"up\n"
        yield process
        process.kill()


def _await_empty(spool: Spool, worker: "subprocess.Popen[bytes]", limit_s: float = 120.0) -> None:
    deadline_s = time.monotonic() + limit_s
    while spool.backlog().stretches:
        assert worker.poll() is None, "the forwarder ended by itself"
        assert time.monotonic() < deadline_s, f"still waiting: {spool.backlog()}"
        time.sleep(0.05)


def _read(address: Address) -> dict[tuple[str, int], float]:
    store = open_central(address)
    found = {}
    for sensor, span in store.sensors().items():
        samples = store.window(sensor, span.first_at, span.last_at + timedelta(microseconds=1))
        for at_us, value in zip(samples.times_us.tolist(), samples.values.tolist(), strict=True):
            assert (sensor, at_us) not in found, "a reading is there twice"
            found[sensor, at_us] = value
    store.close()
    return found


def main() -> None:
    """Run the long form and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=50_000)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--server-kills", type=int, default=10)
    asked = parser.parse_args()
    plan = Plan(asked.readings, asked.kills, asked.server_kills)
    with running("influx") as central, TemporaryDirectory() as folder:
        found = storm(central, Path(folder), plan)
    print(f"{plan.readings} readings, forwarder killed {plan.kills} times, server {plan.server_kills} times")
    print(f"lost {found.lost}, wrong {found.wrong}, strange {found.strange}, in {found.took_s:.0f} s")
    print(
        f"put aside {len(found.buried)}, of {len(found.to_bury)} that had to be; "
        f"the same ones: {found.buried == found.to_bury}"
    )
    for fault in (*FAULTS, "passes"):
        print(f"  {fault}: {found.faults.get(fault, 0)} requests")
    good = not (found.lost or found.wrong or found.strange) and found.buried == found.to_bury
    sys.exit(0 if good else 1)


if __name__ == "__main__":
    main()
