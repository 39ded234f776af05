"""Rows as arrays: a sensor's readings in a stretch of time, and the sums of their hours."""

import sqlite3

import numpy as np

from collector.store.codec import Block
from collector.store.rollup import Parts

_HOUR_US = 3_600_000_000


def hourly(con: sqlite3.Connection, low_us: int, high_us: int) -> dict[int, Parts]:
    """Return, by sensor id, the sums of each hour's rows without a flag; from 1970 on."""
    found = con.execute(
        "SELECT sensor, at_us / ?3 * ?3, count(*), min(value), max(value), total(value) FROM reading"
        " WHERE at_us >= ?1 AND at_us < ?2 AND flags = 0 GROUP BY 1, 2",
        (low_us, high_us, _HOUR_US),
    ).fetchall()
    names = ("sensor", "at_us", "n", "lowest", "highest", "total")
    table = np.array(found, dtype=list(zip(names, ("i8", "i8", "i8", "f8", "f8", "f8"), strict=True)))
    cuts = np.flatnonzero(np.diff(table["sensor"])) + 1
    return {
        int(part["sensor"][0]): Parts(*(np.ascontiguousarray(part[name]) for name in names[1:]))
        for part in np.split(table, cuts)
        if len(part)
    }


def between(con: sqlite3.Connection, sensor: int, start_us: int, end_us: int) -> Block:
    """Return a sensor's rows in [start_us, end_us), in order of time."""
    found = con.execute(
        "SELECT at_us, value, delay_us, flags FROM reading"
        " WHERE at_us >= ? AND at_us < ? AND sensor = ? ORDER BY at_us",
        (start_us, end_us, sensor),
    ).fetchall()
    table = np.array(found, dtype=[("at_us", "i8"), ("value", "f8"), ("delay_us", "i8"), ("flags", "i8")])
    return Block(*(np.ascontiguousarray(table[name]) for name in ("at_us", "value", "delay_us", "flags")))
