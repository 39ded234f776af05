"""Ten million rows through the store: rows in, bytes on disk, and how long questions take.

Run as ``python -m tests.bench.store_rows [ROWS [SENSORS]]``; the file goes to the current folder's
``.bench`` and is removed.
"""

import os
import shutil
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from collector.clock import from_us, to_us
from collector.domain import Reading
from collector.store.opening import open_store
from collector.store.sqlite import SqliteStore
from tests.proc import taken

START = datetime(2024, 4, 1, tzinfo=UTC)
STEP_S = 10
BATCH = 500


def batches(rows: int, sensors: int) -> Iterator[list[Reading]]:
    """Yield readings as sensors send them: 10 s apart, hundredths of a unit, some milliseconds of delay."""
    rng = np.random.default_rng(20240401)
    names = [f"bay{i // 2}.{('air_c', 'humidity_pct')[i % 2]}" for i in range(sensors)]
    level = np.full(sensors, 18.0)
    batch: list[Reading] = []
    for second in range(0, rows // sensors * STEP_S, STEP_S):
        level += rng.normal(0, 0.02, sensors)
        delays_us = rng.integers(2_000, 30_000, sensors)
        at = START + timedelta(seconds=second)
        for name, value, delay_us in zip(names, level.round(2).tolist(), delays_us.tolist(), strict=True):
            batch.append(Reading(name, at, value, at + timedelta(microseconds=delay_us)))
            if len(batch) == BATCH:
                yield batch
                batch = []
    if batch:
        yield batch


def fill(store: SqliteStore, rows: int, sensors: int) -> tuple[float, float]:
    """Fill a store, compacting each half hour of its time; return the seconds of adding and of compacting."""
    add_s = compact_s = 0.0
    due = START
    for batch in batches(rows, sensors):
        began_s = time.perf_counter()
        store.add(batch)
        added_s = time.perf_counter()
        add_s += added_s - began_s
        if batch[-1].at >= due:
            due = batch[-1].at + timedelta(minutes=30)
            store.compact(batch[-1].at, rest=0.0)
            compact_s += time.perf_counter() - added_s
    return add_s, compact_s


def best_ms(ask: Callable[[], object], times: int = 5) -> float:
    """Return the shortest of some tries."""
    took_s = []
    for _ in range(times):
        began_s = time.perf_counter()
        ask()
        took_s.append(time.perf_counter() - began_s)
    return min(took_s) * 1000


def main(rows: int, sensors: int) -> None:
    """Fill and ask; print the table."""
    folder = Path(".bench")
    shutil.rmtree(folder, ignore_errors=True)
    path = folder / "layday.db"
    store = open_store(path)
    before = taken(os.getpid()).written_bytes
    add_s, compact_s = fill(store, rows, sensors)
    store.close()
    written = taken(os.getpid()).written_bytes - before
    size = path.stat().st_size
    print(f"{rows:,} readings of {sensors} sensors, each 10 s, in batches of {BATCH}, FULL sync")
    print(f"  in                       {rows / (add_s + compact_s):>10,.0f} rows/s, compaction included")
    print(f"  in, adding alone         {rows / add_s:>10,.0f} rows/s")
    print(f"  written to disk          {written / rows:>10.1f} bytes a reading (target: under 300)")
    print(f"  file                     {size / rows:>10.1f} bytes a reading")
    began_s = time.perf_counter()
    store = open_store(path, read_only=True)
    names = list(store.sensors())
    last = store.sensors()[names[0]].last_at
    day = timedelta(days=1)
    hour = from_us(to_us(last) // 3_600_000_000 * 3_600_000_000)
    store.latest(last, day)
    print(f"  open and latest          {(time.perf_counter() - began_s) * 1000:>10.1f} ms")
    for words, ask in (
        ("latest, live", lambda: store.latest(last, day)),
        ("latest, ten days ago", lambda: store.latest(last - 10 * day, day)),
        ("last 24 h of one sensor", lambda: store.window(names[0], last - day, last)),
        ("24 h of one, ten days ago", lambda: store.window(names[0], last - 10 * day, last - 9 * day)),
        ("all of one sensor", lambda: store.window(names[0], START, last)),
        ("1 h means of one, all", lambda: store.rollup(names[0], START, hour, timedelta(hours=1))),
        ("1 h means of all", lambda: store.rollups(START, hour, timedelta(hours=1))),
        ("10 min means of one, all", lambda: store.rollup(names[0], START, hour, timedelta(minutes=10))),
    ):
        print(f"  {words:<25}{best_ms(ask):>10.1f} ms")
    store.close()
    shutil.rmtree(folder)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000, int(sys.argv[2]) if len(sys.argv) > 2 else 50)
