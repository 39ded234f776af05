"""What the judge says of measured data, where nothing is known to be wrong, and what it costs.

Run as ``python -m tests.bench.quality_flags [FOLDER]``; the folder holds wide CSV files (``tests/data``).
"""

import sys
import time
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from collector.domain import Flag, Reading
from collector.quality import Judge
from collector.wide_csv import read_wide_csv

START = datetime(2026, 4, 1, tzinfo=UTC)


def flags_of(path: Path) -> tuple[Counter[tuple[str, str]], Counter[str]]:
    """Return how often each sensor gets each flag, and how many readings of it there are."""
    judge = Judge()
    found: Counter[tuple[str, str]] = Counter()
    count: Counter[str] = Counter()
    for batch in read_wide_csv(path):
        for reading in judge.judge(batch):
            count[reading.sensor] += 1
            for flag in reading.flags:
                found[reading.sensor, str(flag.name)] += 1
    return found, count


def cost_us(sensors: int, step_s: float, rows: int = 300_000) -> float:
    """Return the microseconds that one reading of a live shed costs."""
    rng = np.random.default_rng(1)
    names = [f"bay{i // 3}.{('air_c', 'humidity_pct', 'part_c')[i % 3]}" for i in range(sensors)]
    level = np.full(sensors, 18.0)
    batches = []
    for i in range(rows // sensors):
        level += rng.normal(0, 0.02, sensors)
        at = START + timedelta(seconds=i * step_s)
        heard = at + timedelta(milliseconds=20)
        batches.append(
            [Reading(n, at, v, heard) for n, v in zip(names, level.round(2).tolist(), strict=True)]
        )
    judge = Judge()
    began_s = time.process_time()
    for batch in batches:
        judge.judge(batch)
    return (time.process_time() - began_s) / rows * 1e6


def main(folder: Path) -> None:
    """Print both tables."""
    for path in sorted(folder.glob("*.csv.gz")):
        found, count = flags_of(path)
        total = sum(found.values())
        rate = total / sum(count.values())
        print(f"{path.name}: {sum(count.values()):,} readings, {total} flags ({rate:.3%})")
        for (sensor, flag), number in sorted(found.items()):
            print(f"  {sensor:<28} {flag:<14} {number:>6} of {count[sensor]} ({number / count[sensor]:.2%})")
    for sensors, step_s in ((30, 10.0), (30, 60.0), (1000, 10.0), (10_000, 10.0)):
        print(f"{sensors} sensors, {step_s:g} s apart: {cost_us(sensors, step_s):.2f} µs a reading")
    print(f"kinds of flags: {', '.join(str(flag.name) for flag in Flag)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("tests/data"))
