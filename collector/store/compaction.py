"""Moving closed six-hour windows from rows by time into chunks by sensor.

First every chunk of the window is written, some thousand rows a transaction; then the rows go, in
order of time, so that each page is touched once. In between both hold the same readings, which
reading the store takes for one; so a crash at any moment costs nothing, and the next run ends the work.
The write lock is held for one transaction at a time, and left alone as long again after each.
"""

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np

from collector.store import chunks
from collector.store.connection import Database

LATENESS_US = 900_000_000  # a window stays open this long after its end for readings on their way
_SLICE_ROWS = 4000
_GROUP_ROWS = 50_000


class Compactor:
    """Moves what is old enough into chunks, and lets raw data go.

    Parameters
    ----------
    database
        The store's file.
    rest
        How long to leave the file to others after each transaction, as a share of its length.
    """

    def __init__(self, database: Database, rest: float) -> None:
        self._database = database
        self._rest = rest

    def compact(self, now_us: int) -> int:
        """Move the rows of all windows that are closed at a time; return their number."""
        horizon_us = min(chunks.start_us(now_us - LATENESS_US), chunks.END_US)
        moved = 0
        while (window_us := self._oldest_window(horizon_us)) is not None:
            moved += self._move(window_us)
        return moved

    def let_go(self, before_us: int) -> int:
        """Drop the raw data of all chunks that end before a time; return their number."""
        with self._database.reading() as con:
            sensors = [row[0] for row in con.execute("SELECT id FROM sensor")]
        dropped = 0
        while True:
            with self._slice() as con:
                count = chunks.let_go(con, sensors, before_us, _SLICE_ROWS // 10)
            dropped += count
            if not count:
                return dropped

    def _oldest_window(self, horizon_us: int) -> int | None:
        with self._database.reading() as con:
            (oldest_us,) = con.execute(
                "SELECT min(at_us) FROM reading WHERE at_us >= 0 AND at_us < ?", (horizon_us,)
            ).fetchone()
        return None if oldest_us is None else chunks.start_us(oldest_us)

    def _move(self, window_us: int) -> int:
        """Move one window: its chunks first, then its rows away."""
        seen = []
        for first, last in self._groups(window_us):
            with self._database.reading() as con:
                table = _rows(con, window_us, window_us + chunks.SPAN_US, (first, last))
            table = table[np.lexsort((table["at_us"], table["sensor"]))]
            for part in _whole_sensors(table):
                with self._slice() as con:
                    chunks.put(con, part)
            seen.append(table[["at_us", "sensor"]])
        copied = np.sort(np.concatenate(seen), order=["at_us", "sensor"])
        moved, low_us = 0, window_us
        while low_us < window_us + chunks.SPAN_US:
            with self._slice() as con:
                high_us = _slice_end(con, low_us, window_us + chunks.SPAN_US)
                moved += _remove(con, low_us, high_us, copied)
            low_us = high_us
        return moved

    def _groups(self, window_us: int) -> list[tuple[int, int]]:
        """Part the sensors, by id, so that no group has more rows than fit into memory with ease."""
        with self._database.reading() as con:
            counts = con.execute(
                "SELECT sensor, count(*) FROM reading WHERE at_us >= ? AND at_us < ?"
                " GROUP BY sensor ORDER BY sensor",
                (window_us, window_us + chunks.SPAN_US),
            ).fetchall()
        groups: list[tuple[int, int]] = []
        room = 0
        for sensor, count in counts:
            if groups and count <= room:
                groups[-1] = (groups[-1][0], sensor)
            else:
                groups.append((sensor, sensor))
                room = _GROUP_ROWS
            room -= count
        return groups

    @contextmanager
    def _slice(self) -> Iterator[sqlite3.Connection]:
        """Run one transaction, then leave the lock to whoever waits for it."""
        began_s = time.monotonic()
        with self._database.writing() as con:
            yield con
        time.sleep(self._rest * (time.monotonic() - began_s))


def _rows(
    con: sqlite3.Connection, low_us: int, high_us: int, sensors: tuple[int, int] = (0, 2**62)
) -> chunks.Table:
    """Return the rows in [low_us, high_us) of sensors whose ids lie between two, both included."""
    cursor = con.execute(
        "SELECT * FROM reading WHERE at_us >= ? AND at_us < ? AND sensor BETWEEN ? AND ?",
        (low_us, high_us, *sensors),
    )
    tables = [np.empty(0, dtype=chunks.ROW)]
    while some := cursor.fetchmany(_SLICE_ROWS):
        tables.append(np.array(some, dtype=chunks.ROW))
    return np.concatenate(tables)


def _whole_sensors(table: chunks.Table) -> Iterator[chunks.Table]:
    """Cut rows in order of sensor into slices, never within a sensor: its chunk is written once."""
    ends = [*(np.flatnonzero(np.diff(table["sensor"])) + 1).tolist(), len(table)]
    low = 0
    for end, following in zip(ends, [*ends[1:], None], strict=True):
        if following is None or following - low > _SLICE_ROWS:
            yield table[low:end]
            low = end


def _slice_end(con: sqlite3.Connection, low_us: int, end_us: int) -> int:
    row = con.execute(
        "SELECT at_us FROM reading WHERE at_us >= ? AND at_us < ? ORDER BY at_us LIMIT 1 OFFSET ?",
        (low_us, end_us, _SLICE_ROWS),
    ).fetchone()
    return row[0] + 1 if row else end_us


def _remove(con: sqlite3.Connection, low_us: int, high_us: int, copied: chunks.Table) -> int:
    """Delete the rows in [low_us, high_us); those that came after the copying go into chunks first."""
    present = _rows(con, low_us, high_us)
    low, high = np.searchsorted(copied["at_us"], [low_us, high_us])
    if not np.array_equal(present[["at_us", "sensor"]], copied[low:high]):
        chunks.put(con, present)
    con.execute("DELETE FROM reading WHERE at_us >= ? AND at_us < ?", (low_us, high_us))
    return len(present)
