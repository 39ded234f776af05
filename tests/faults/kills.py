"""Kill the daemon again and again under load: ``python -m tests.faults.kills [--kills 100] [--source …]``."""

import argparse
import random
import shutil
import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from tests.end_to_end.layday import Layday, until
from tests.faults.support import Sensor, at_us, connected, installation, running
from tests.mosquitto import Mosquitto

RATE_HZ = 2000.0


class Outcome(NamedTuple):
    """What became of `made` numbered readings: lost, or there with another value or at another time."""

    made: int
    lost: int
    wrong: int
    integrity: set[str]


def hammer(folder: Path, source: str, *, kills: int, seed: int, defect: str = "") -> Outcome:
    """Let a sensor publish while the daemon is killed `kills` times, then once more in peace.

    A double reading fails at once: `Layday.values` looks for them.
    """
    if source == "listener":
        layday = installation(folder, defect)
        return _hammer(layday, Sensor(layday.port, RATE_HZ), kills, random.Random(seed))
    with Mosquitto(folder / "broker", verbose=False) as broker:
        layday = installation(folder, defect, broker_port=broker.port)
        with running(layday):  # once, so that the broker knows the session before the first message
            connected(layday)
        return _hammer(layday, Sensor(broker.port, RATE_HZ), kills, random.Random(seed))


def _hammer(layday: Layday, sensor: Sensor, kills: int, chance: random.Random) -> Outcome:
    integrity = set()
    sensor.start()
    try:
        for _ in range(kills):
            layday.start()
            time.sleep(chance.uniform(0.05, 0.8))
            layday.kill()
            integrity.add(_integrity(layday.store))
        layday.start()
        count = sensor.finish()
        expected = {at_us(n): n / 1000 for n in range(count)}
        _settle(layday, count)
        layday.stop()
        integrity.add(_integrity(layday.store))
        kept = layday.values("keel.air_c")
    finally:
        sensor.stop()
        layday.end()
    wrong = sum(expected.get(at) != value for at, value in kept.items())
    return Outcome(count, len(expected.keys() - kept.keys()), wrong, integrity)


def _settle(layday: Layday, count: int) -> None:
    """Wait until all are there, or no more come."""
    before = -1

    def still() -> bool:
        nonlocal before
        now = len(layday.values("keel.air_c"))
        stands, before = now == before, now
        time.sleep(0.5)
        return now >= count or stands

    until(still, "all that will come has come", 120.0)


def _integrity(store: Path) -> str:
    """Return what SQLite finds in a copy, so that it is the daemon that mends what the kill left."""
    with tempfile.TemporaryDirectory() as name:
        for part in store.parent.glob(f"{store.name}*"):
            shutil.copy(part, name)
        with closing(sqlite3.connect(Path(name) / store.name)) as con:
            return str(con.execute("PRAGMA integrity_check").fetchone()[0])


def main() -> None:
    """Print a line for each source."""
    parser = argparse.ArgumentParser(description="Kill the daemon at random moments under load.")
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--source", choices=["listener", "broker", "both"], default="both")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    for source in ("listener", "broker") if asked.source == "both" else (asked.source,):
        began_s = time.monotonic()
        with tempfile.TemporaryDirectory() as name:
            found = hammer(Path(name), source, kills=asked.kills, seed=asked.seed)
        print(
            f"{source}: killed {asked.kills} times in {time.monotonic() - began_s:.0f} s under {RATE_HZ:g}"
            f" messages/s: {found.made} readings, {found.lost} lost, 0 double, {found.wrong} wrong,"
            f" integrity {', '.join(sorted(found.integrity))}",
            flush=True,
        )
        assert (found.lost, found.wrong, found.integrity) == (0, 0, {"ok"})


if __name__ == "__main__":
    main()
