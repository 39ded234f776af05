"""Readings as rows in order of time: how they go in, and how they are found again."""

import math
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain
from typing import NamedTuple

from collector.clock import to_us
from collector.domain import Reading
from collector.store.base import Added

SPAN_LAG_US = 60_000_000
_FIRST_STEP_US = 60_000_000
_MAX_IN_LIST = 500
_INSERT = "INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?)"
_ROWS_A_STATEMENT = 100


class Row(NamedTuple):
    """A reading as the table holds it; `delay_us` is receive time minus reading's time."""

    at_us: int
    sensor: int
    value: float
    delay_us: int
    flags: int


class Span(NamedTuple):
    """A sensor's id and its first and last times."""

    id: int
    first_us: int
    last_us: int


# A reading on its way in: sensor, at_us, value, delay_us, flags. Plain, as there are so many.
Named = tuple[str, int, float, int, int]
# The same as the table will hold it, its columns in the order of `Row`.
Fresh = tuple[int, int, float, int, int]


def named(readings: Iterable[Reading]) -> list[Named]:
    """Turn readings into numbers.

    Raises
    ------
    ValueError
        If a time has no offset or a value is not finite.
    """
    rows: list[Named] = []
    for sensor, at, value, received_at, flags in readings:
        if not math.isfinite(value):
            raise ValueError(f"{sensor} at {at}: {value} is not a finite number")
        at_us = to_us(at)
        delay_us = 0 if received_at is at else to_us(received_at) - at_us
        rows.append((sensor, at_us, float(value), delay_us, int(flags) if flags else 0))
    return rows


def written_spans(con: sqlite3.Connection) -> dict[str, Span]:
    """Return every sensor's span by its name as last written; its true end is at most a minute later."""
    return {
        name: Span(*rest)
        for name, *rest in con.execute("SELECT name, id, first_us, last_us FROM sensor ORDER BY name")
    }


def spans(con: sqlite3.Connection) -> dict[str, Span]:
    """Return every sensor's span by its name, its end looked up in the minute after the one written."""
    written = written_spans(con)
    newest_us: dict[int, int] = {}
    for low_us, high_us in _minutes_after(sorted(span.last_us for span in written.values())):
        newest_us.update(
            con.execute(
                "SELECT sensor, max(at_us) FROM reading WHERE at_us > ? AND at_us <= ? GROUP BY sensor",
                (low_us, high_us),
            ).fetchall()
        )
    return {
        name: span._replace(last_us=max(span.last_us, newest_us.get(span.id, span.last_us)))
        for name, span in written.items()
    }


def _minutes_after(times_us: Sequence[int]) -> list[tuple[int, int]]:
    """Return the minute after each of the rising times, joined where they overlap."""
    joined: list[tuple[int, int]] = []
    for at_us in times_us:
        if joined and at_us <= joined[-1][1]:
            joined[-1] = (joined[-1][0], at_us + SPAN_LAG_US)
        else:
            joined.append((at_us, at_us + SPAN_LAG_US))
    return joined


def widen_spans(
    con: sqlite3.Connection, readings: Sequence[Named], known: Mapping[str, Span]
) -> dict[str, Span]:
    """Enter the sensors of a batch, and widen their spans; return those that changed.

    A span's end is written in the first commit of each minute (of the readings' time), or each small
    commit would write one page more.
    `known` may lag behind the file, which other processes also write, but never runs ahead of it.
    """
    extremes: dict[str, tuple[int, int]] = {}
    for sensor, at_us, *_ in readings:
        span = known.get(sensor)
        if (
            span is not None
            and span.first_us <= at_us
            and at_us // SPAN_LAG_US <= span.last_us // SPAN_LAG_US
        ):
            continue
        low, high = extremes.get(sensor, (at_us, at_us))
        extremes[sensor] = min(low, at_us), max(high, at_us)
    if not extremes:
        return {}
    con.executemany(
        "INSERT INTO sensor (name, first_us, last_us) VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE"
        " SET first_us = min(first_us, excluded.first_us), last_us = max(last_us, excluded.last_us)",
        [(name, low, high) for name, (low, high) in extremes.items()],
    )
    return _spans_of(con, list(extremes))


def _spans_of(con: sqlite3.Connection, names: Sequence[str]) -> dict[str, Span]:
    found: dict[str, Span] = {}
    for start in range(0, len(names), _MAX_IN_LIST):
        some = names[start : start + _MAX_IN_LIST]
        places = ", ".join("?" * len(some))
        for name, *rest in con.execute(
            f"SELECT name, id, first_us, last_us FROM sensor WHERE name IN ({places})",  # noqa: S608  as many as asked
            some,
        ):
            found[name] = Span(*rest)
    return found


def insert(con: sqlite3.Connection, rows: Sequence[Fresh]) -> Added:
    """Insert rows; where (sensor, at) is there already, the first value stays."""
    if not rows:
        return Added(0, 0, 0)
    # a hundred to a statement: half the work, and done while another thread has the interpreter
    new, full = 0, len(rows) // _ROWS_A_STATEMENT * _ROWS_A_STATEMENT
    for start in range(0, full, _ROWS_A_STATEMENT):
        some = list(chain.from_iterable(rows[start : start + _ROWS_A_STATEMENT]))
        new += con.execute(_INSERT + ", (?, ?, ?, ?, ?)" * (_ROWS_A_STATEMENT - 1), some).rowcount
    if full < len(rows):
        new += con.executemany(_INSERT, rows[full:]).rowcount
    if new == len(rows):
        return Added(new, 0, 0)
    conflicting = 0
    for at_us, sensor, value, *_ in rows:
        (kept,) = con.execute(
            "SELECT value FROM reading WHERE at_us = ? AND sensor = ?", (at_us, sensor)
        ).fetchone()
        conflicting += kept != value
    return Added(new, len(rows) - new - conflicting, conflicting)


def newest(
    con: sqlite3.Connection, sensors: Iterable[Span], oldest_us: int, newest_us: int
) -> dict[int, Row]:
    """Return, by sensor id, the newest row in (oldest_us, newest_us].

    A sensor whose last reading lies in the stretch is looked up by key. The others (the moment
    asked about is in the past) are sought backwards in steps that double, so live ones cost a minute's rows.
    """
    found: dict[int, Row] = {}
    sought: set[int] = set()
    for span in sensors:
        if span.last_us > newest_us and span.first_us <= newest_us:
            sought.add(span.id)
        elif oldest_us < span.last_us <= newest_us:
            row = con.execute(
                "SELECT * FROM reading WHERE at_us = ? AND sensor = ?", (span.last_us, span.id)
            ).fetchone()
            if row:
                found[span.id] = Row(*row)
    high_us, step_us = newest_us, _FIRST_STEP_US
    while sought and high_us > oldest_us:
        low_us = max(oldest_us, high_us - step_us)
        for row in _newest_between(con, sought, low_us, high_us):
            found[row.sensor] = row
        sought -= found.keys()
        high_us, step_us = low_us, step_us * 2
    return found


def _newest_between(con: sqlite3.Connection, sensors: set[int], low_us: int, high_us: int) -> list[Row]:
    """Return each sensor's newest row in (low_us, high_us]; SQLite fills bare columns from max's row."""
    if len(sensors) <= _MAX_IN_LIST:
        only = f"AND sensor IN ({', '.join(str(int(i)) for i in sensors)})"
    else:
        only = ""
    cursor = con.execute(
        "SELECT max(at_us), sensor, value, delay_us, flags FROM reading"  # noqa: S608  ids are integers
        f" WHERE at_us > ? AND at_us <= ? {only} GROUP BY sensor",
        (low_us, high_us),
    )
    return [Row(*row) for row in cursor if row[1] in sensors]
