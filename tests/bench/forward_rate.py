"""Forwarding after an outage, live intake meanwhile, and what forwarding costs intake.

A store with a backlog is forwarded by a process of its own to a real central store, while readings go
on being committed 100 ms apart, as live intake does. Then batches are committed with forwarding off and on.

Run as ``python -m tests.bench.forward_rate``.
"""

import argparse
import gc
import statistics
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from collector.clock import SystemClock
from collector.domain import Reading
from collector.forward.spool import Spool
from collector.store import arrivals, rows
from collector.store.address import Address
from collector.store.opening import open_central, open_store
from collector.store.sqlite import SqliteStore
from tests.central import KINDS, running

SENSORS = tuple(f"bay{i}.air_c" for i in range(200))
BATCH = 500
VISIBLE_S = 30.0
LIVE_EVERY_S = 0.1
LIVE = 100


def backlog(store: SqliteStore, count: int, until: datetime) -> None:
    """Commit the readings of an outage that ends now, each sensor every ten seconds."""
    rounds = count // len(SENSORS)
    batch: list[Reading] = []
    for i in range(rounds, 0, -1):
        at = until - timedelta(seconds=10 * i)
        received_at = at + timedelta(milliseconds=40)
        batch += [
            Reading(name, at, round(18.0 + (i + j) % 70 / 10, 1), received_at)
            for j, name in enumerate(SENSORS)
        ]
        if len(batch) >= 5000:
            store.add(batch)
            batch = []
    store.add(batch)


def live_batch() -> list[Reading]:
    """Return what arrives in a tenth of a second at 1,000 messages a second."""
    now = SystemClock().now()
    return [Reading(SENSORS[i], now, 18.5, now) for i in range(LIVE)]


def forwarding(address: Address, path: Path, count: int) -> None:
    """Forward a backlog while live readings come in; print the rate and how far they fell behind."""
    store = open_store(path)
    now = SystemClock().now()
    backlog(store, count, now)
    store.compact(now, rest=0.0)
    delays_s: list[float] = []
    with Spool(path) as spool:
        spool.begin(str(address))
        waiting = spool.backlog().readings
        command = [sys.executable, "-m", "tests.collector.forward.worker", str(path), str(address), "20"]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as worker:
            assert worker.stdout is not None
            worker.stdout.readline()
            began_s = next_s = time.monotonic()
            live = 0
            while spool.backlog().stretches > 1 or spool.backlog().readings > 5 * LIVE:
                next_s += LIVE_EVERY_S
                time.sleep(max(0.0, next_s - time.monotonic()))
                batch = live_batch()
                due_s = time.monotonic()
                store.add(batch)
                delays_s.append(time.monotonic() - due_s)
                live += len(batch)
            took_s = time.monotonic() - began_s
            time.sleep(1.0)
            worker.kill()
    there = open_central(address)
    expected, until_s = count // len(SENSORS), time.monotonic() + VISIBLE_S
    arrived = 0
    # what a central store has taken it shows some seconds later
    while arrived < expected and time.monotonic() < until_s:
        span = now - timedelta(days=30), now, timedelta(days=30)
        arrived = int(there.rollup(SENSORS[0], *span).counts.sum())
        time.sleep(0.2)
    assert arrived == expected, (arrived, expected)
    there.close()
    store.close()
    slowest = sorted(delays_s)
    print(f"  {waiting + live} readings in {took_s:.1f} s: {(waiting + live) / took_s:,.0f} a second")
    print(
        f"  live intake meanwhile, commit after arrival: median {1e3 * statistics.median(slowest):.0f} ms, "
        f"99 % {1e3 * slowest[int(0.99 * len(slowest))]:.0f} ms, worst {1e3 * slowest[-1]:.0f} ms"
    )


def cost_of_noting(folder: Path, batches: int) -> None:
    """Print the processor time of noting arrivals, alone and as part of whole commits."""
    path = folder / "cost.sqlite"
    store = open_store(path)
    start = SystemClock().now()
    with Spool(path) as spool:
        plain_us = _commits_us(store, start, batches)
        spool.begin("influx://nowhere/layday/gull")
        noted_us = _commits_us(store, start + timedelta(days=1), batches)
    alone_us = _alone_us(store, batches)
    store.close()
    print(
        f"  a whole commit of {BATCH}, processor time a reading: {plain_us:.2f} µs off, {noted_us:.2f} µs on"
    )
    print(f"  noting alone: {alone_us:.3f} µs a reading")


def _commits_us(store: SqliteStore, start: datetime, batches: int) -> float:
    """Return the processor time of a reading in whole commits: the median batch."""
    taken: list[float] = []
    for i in range(batches):
        batch = _batch(start, i)
        began_s = time.thread_time()
        store.add(batch)
        taken.append(time.thread_time() - began_s)
    return 1e6 * statistics.median(taken) / BATCH


def _alone_us(store: SqliteStore, batches: int) -> float:
    start_us = 4_000_000_000_000_000
    taken: list[float] = []
    with store._database.writing() as con:
        for i in range(batches):
            fresh = [
                rows.Row(start_us + i * 100_000 + j * 200, j % 200 + 1, 18.5, 0, 0) for j in range(BATCH)
            ]
            began_s = time.thread_time()
            arrivals.note(con, fresh)
            taken.append(time.thread_time() - began_s)
    return 1e6 * statistics.median(taken) / BATCH


def _batch(start: datetime, turn: int) -> Sequence[Reading]:
    at = [start + timedelta(milliseconds=100 * turn, microseconds=200 * j) for j in range(BATCH)]
    return [Reading(SENSORS[j % len(SENSORS)], at[j], 18.5, at[j]) for j in range(BATCH)]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--readings", type=int, default=1_000_000)
    parser.add_argument("--kinds", nargs="*", default=list(KINDS))
    asked = parser.parse_args()
    for kind in asked.kinds:
        with running(kind) as central, TemporaryDirectory() as folder:
            print(f"{kind}, after an outage, 1,000 live readings a second beside:")
            forwarding(central.make_bucket("rate").of("gull"), Path(folder) / "layday.sqlite", asked.readings)
    gc.disable()
    with TemporaryDirectory() as folder:
        print("what forwarding costs intake:")
        cost_of_noting(Path(folder), 400)


if __name__ == "__main__":
    main()
