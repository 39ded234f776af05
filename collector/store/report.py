"""What a store holds: its size and span, the gaps of each sensor, and whether the file is sound."""

import shutil
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from collector.clock import from_us
from collector.domain import Gap
from collector.errors import StoreError
from collector.store import chunks
from collector.store.base import Store
from collector.store.connection import connect_reader, in_words

_PACES = 5  # a sensor is missed after so many of its usual steps: common practice, no source
_SHORTEST_GAP = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class SensorReport:
    """One sensor: readings kept, its first and last, its usual step, and where it gave nothing.

    `count` is of raw readings; those let go for their age count no more. `step` is None with fewer than two.
    """

    name: str
    count: int
    first_at: datetime
    last_at: datetime
    step: timedelta | None
    gaps: tuple[Gap, ...]


@dataclass(frozen=True, slots=True)
class StoreReport:
    """A store's file and its sensors.

    `size_bytes` includes the write-ahead log; `unused_bytes` of it will be filled before it grows;
    `disk_free_bytes` is what the disk has left. `row_count` readings wait to be moved into the
    `chunk_count` chunks. `damage` names what a check of the file found, in words; None if not asked for.
    """

    path: Path
    size_bytes: int
    unused_bytes: int
    disk_free_bytes: int
    row_count: int
    chunk_count: int
    sensors: tuple[SensorReport, ...]
    damage: tuple[str, ...] | None

    @property
    def count(self) -> int:
        """The number of raw readings kept."""
        return sum(sensor.count for sensor in self.sensors)


def store_report(store: Store, path: Path, *, check: bool = False) -> StoreReport:
    """Report on the open store whose file is at `path`; `check` also reads every page and chunk.

    Raises
    ------
    StoreError
        If the file cannot be read at all.
    """
    sensors = tuple(sensor_report(store, name) for name in store.sensors())
    with in_words(path), closing(connect_reader(path).con) as con:
        pages = con.execute("PRAGMA freelist_count").fetchone()[0]
        unused_bytes = pages * con.execute("PRAGMA page_size").fetchone()[0]
        row_count = con.execute("SELECT count(*) FROM reading").fetchone()[0]
        chunk_count = con.execute("SELECT count(*) FROM chunk").fetchone()[0]
    return StoreReport(
        path=path,
        size_bytes=sum(file.stat().st_size for file in _files(path) if file.exists()),
        unused_bytes=unused_bytes,
        disk_free_bytes=shutil.disk_usage(path.parent).free,
        row_count=row_count,
        chunk_count=chunk_count,
        sensors=sensors,
        damage=damage(path) if check else None,
    )


def sensor_report(store: Store, name: str) -> SensorReport:
    """Count one sensor's readings and find its gaps: stretches of five usual steps, and at least 5 min."""
    span = store.sensors()[name]
    times = store.window(name, span.first_at, span.last_at + timedelta(microseconds=1)).times_us
    if len(times) < 2:  # noqa: PLR2004  one reading makes no step
        return SensorReport(name, len(times), span.first_at, span.last_at, None, ())
    step = timedelta(microseconds=int(np.median(np.diff(times))))
    return SensorReport(
        name=name,
        count=len(times),
        first_at=span.first_at,
        last_at=span.last_at,
        step=step,
        gaps=gaps(name, times.tolist(), max(_PACES * step, _SHORTEST_GAP)),
    )


def gaps(sensor: str, times_us: Sequence[int], longer_than: timedelta) -> tuple[Gap, ...]:
    """Return the stretches between neighbouring times that are longer than a time.

    >>> found = gaps("keel.air_c", [0, 60_000_000, 360_000_000], timedelta(minutes=2))
    >>> [gap.end - gap.start for gap in found]
    [datetime.timedelta(seconds=300)]
    """
    limit_us = longer_than // timedelta(microseconds=1)
    times = np.asarray(times_us, dtype=np.int64)
    before = np.flatnonzero(np.diff(times) > limit_us).tolist()
    return tuple(Gap(sensor, from_us(times_us[i]), from_us(times_us[i + 1])) for i in before)


def damage(path: Path) -> tuple[str, ...]:
    """Read every page and every chunk of a store and say what is wrong with them; nothing if all is well."""
    found: list[str] = []
    try:
        with in_words(path), closing(connect_reader(path).con) as con:
            verdicts = [row[0] for row in con.execute("PRAGMA integrity_check(20)")]
            found += [text for text in verdicts if text != "ok"]
            found += _spoilt_chunks(con)
    except StoreError as error:
        found.append(str(error))
    return tuple(found)


def _spoilt_chunks(con: sqlite3.Connection) -> list[str]:
    names = dict(con.execute("SELECT id, name FROM sensor").fetchall())
    found = []
    for table in ("chunk", "spoilt_chunk"):
        query = f"SELECT k, n, data FROM {table} WHERE data IS NOT NULL"  # noqa: S608  one of the two above
        for k, count, data in con.execute(query):
            if chunks.load(k, count, data) is None:
                start = from_us(chunks.start_of(k))
                name = names.get(chunks.sensor_of(k), "an unknown sensor")
                found.append(f"{name}: {count} readings of the 6 h from {start:%Y-%m-%dT%H:%MZ} are spoilt")
    return found


def _files(path: Path) -> tuple[Path, ...]:
    return path, path.with_name(f"{path.name}-wal")
