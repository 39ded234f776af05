"""Chunks: six hours of one sensor as compressed bytes, with the roll-up of each hour beside them.

A chunk's key is the sensor's id and its start in seconds, ``sensor << 33 | start``, so a stretch
of a sensor is a range of keys. Readings come into a chunk from the rows by time (see
`collector.store.compaction`); what is in the chunk already stays.

A chunk whose bytes the disk has spoilt is a gap: everything else goes on, and `layday store` names it.
"""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import numpy.typing as npt

from collector.store.base import Added
from collector.store.codec import Block, DamagedError, pack, unpack
from collector.store.rollup import Parts
from collector.store.rows import Fresh, Row

HOUR_US = 3_600_000_000
HOURS = 6
SPAN_US = HOURS * HOUR_US
END_US = 2**33 // 21_600 * SPAN_US  # from here on, and before 1970, readings stay rows
_SENSOR_SHIFT = 33
_SECOND_US = 1_000_000
_SPAN_S = SPAN_US // _SECOND_US
_HOUR_COLUMNS = 4  # count, lowest, highest, total

Table = npt.NDArray[np.void]
ROW = np.dtype([("at_us", "i8"), ("sensor", "i8"), ("value", "f8"), ("delay_us", "i8"), ("flags", "i8")])


def start_us(at_us: int) -> int:
    """Return where the six hours begin in which a time lies."""
    return at_us // SPAN_US * SPAN_US


def key(sensor: int, chunk_start_us: int) -> int:
    """Return a chunk's key."""
    return sensor << _SENSOR_SHIFT | chunk_start_us // _SECOND_US


def sensor_of(k: int) -> int:
    """Return the sensor's id that a key holds."""
    return k >> _SENSOR_SHIFT


def row_key(row: Fresh) -> int:
    """Return the key of the chunk in which a row belongs; -1, which none has, where it stays a row."""
    at_us, sensor = row[0], row[1]
    return sensor << _SENSOR_SHIFT | at_us // SPAN_US * _SPAN_S if 0 <= at_us < END_US else -1


def start_of(k: int) -> int:
    """Return the start, in microseconds, that a key holds."""
    return (k & (1 << _SENSOR_SHIFT) - 1) * _SECOND_US


def key_range(sensor: int, low_us: int, high_us: int) -> tuple[int, int]:
    """Return the first and the last key of chunks that may hold times in [low_us, high_us)."""
    low, high = max(low_us, 0), min(high_us, END_US)
    return key(sensor, start_us(low)), key(sensor, start_us(max(high - 1, 0))) if high > low else -1


def blocks(con: sqlite3.Connection, sensor: int, low_us: int, high_us: int) -> Iterator[Block]:
    """Yield a sensor's readings in [low_us, high_us) that are in chunks, in order of time."""
    cursor = con.execute(
        "SELECT k, n, data FROM chunk WHERE k BETWEEN ? AND ? AND data IS NOT NULL ORDER BY k",
        key_range(sensor, low_us, high_us),
    )
    for k, count, data in cursor:
        block = load(k, count, data)
        if block is not None:
            yield cut(block, low_us, high_us)


def newest(con: sqlite3.Connection, sensor: int, oldest_us: int, newest_us: int) -> Row | None:
    """Return a sensor's newest reading in (oldest_us, newest_us] that is in a chunk."""
    cursor = con.execute(
        "SELECT k, n, data FROM chunk WHERE k BETWEEN ? AND ? AND data IS NOT NULL ORDER BY k DESC",
        key_range(sensor, oldest_us + 1, newest_us + 1),
    )
    for k, count, data in cursor:
        whole = load(k, count, data)
        block = cut(whole, oldest_us + 1, newest_us + 1) if whole else None
        if block and len(block.at_us):
            last = [column[-1].item() for column in block]
            return Row(last[0], sensor, *last[1:])
    return None


def load(k: int, count: int, data: bytes) -> Block | None:
    """Return a chunk's readings, or None if its bytes are spoilt."""
    try:
        return unpack(data, count, start_of(k))
    except DamagedError:
        return None


def cut(block: Block, low_us: int, high_us: int) -> Block:
    """Return what of a block lies in [low_us, high_us)."""
    low, high = np.searchsorted(block.at_us, [low_us, high_us])
    return block.pick(slice(low, high))


def union(parts: Sequence[Block]) -> Block:
    """Join blocks in order of time; of readings at one time that of the earlier block stays."""
    if len(parts) == 1:
        return parts[0]
    joined = [np.concatenate(columns) for columns in zip(*parts, strict=True)]
    return Block(*joined).pick(np.unique(joined[0], return_index=True)[1])


def hourly(con: sqlite3.Connection, sensor: int, low_us: int, high_us: int) -> Parts:
    """Return the roll-up of each hour of the chunks that may hold times in [low_us, high_us)."""
    found = con.execute(
        "SELECT k, hours FROM chunk WHERE k BETWEEN ? AND ? ORDER BY k", key_range(sensor, low_us, high_us)
    ).fetchall()
    table = np.frombuffer(b"".join(hours for _, hours in found), dtype="<f8").reshape(-1, _HOUR_COLUMNS)
    starts = np.array([start_of(k) for k, _ in found], dtype=np.int64)
    at_us = (starts[:, np.newaxis] + HOUR_US * np.arange(HOURS)).ravel()
    count, lowest, highest, total = table.T
    return Parts(at_us, count.astype(np.int64), lowest, highest, total)


def is_there(con: sqlite3.Connection, sensor: int, chunk_start_us: int) -> bool:
    """Say whether a sensor has a chunk that begins at a time."""
    k = key(sensor, chunk_start_us)
    return con.execute("SELECT 1 FROM chunk WHERE k = ?", (k,)).fetchone() is not None


def put(con: sqlite3.Connection, table: Table) -> None:
    """Bring rows (of any sensors, in any order) into their chunks."""
    keys = table["sensor"] << _SENSOR_SHIFT | table["at_us"] // SPAN_US * (SPAN_US // _SECOND_US)
    order = np.lexsort((table["at_us"], keys))
    table, keys = table[order], keys[order]
    for part in np.split(table, np.flatnonzero(np.diff(keys)) + 1):
        if len(part):
            _put_one(con, int(part["sensor"][0]), start_us(int(part["at_us"][0])), block_of(part))


def block_of(table: Table) -> Block:
    """Return the columns of one sensor's rows, as arrays of their own."""
    return Block(*(np.ascontiguousarray(table[name]) for name in ("at_us", "value", "delay_us", "flags")))


def _put_one(con: sqlite3.Connection, sensor: int, chunk_start_us: int, late: Block) -> None:
    # what moves out of the rows is no longer found in the minute after a span's written end
    con.execute(
        "UPDATE sensor SET last_us = ?1 WHERE id = ?2 AND last_us < ?1", (int(late.at_us[-1]), sensor)
    )
    k = key(sensor, chunk_start_us)
    old = con.execute("SELECT n, data FROM chunk WHERE k = ?", (k,)).fetchone()
    if old and old[1] is None:
        return  # its raw data was let go for its age, and so is what comes later still
    block = late
    if old and (early := load(k, *old)):
        block = union([early, late])
    elif old:  # keep the spoilt bytes apart: somebody may yet read something out of them
        con.execute("INSERT OR REPLACE INTO spoilt_chunk SELECT * FROM chunk WHERE k = ?", (k,))
    con.execute(
        "INSERT OR REPLACE INTO chunk (k, n, hours, data) VALUES (?, ?, ?, ?)",
        (k, len(block.at_us), _hours(block, chunk_start_us), pack(block, chunk_start_us)),
    )


def _hours(block: Block, chunk_start_us: int) -> bytes:
    """Sum up each hour's readings that have no flag; an hour without any counts 0."""
    good = block.flags == 0
    hour, value = (block.at_us[good] - chunk_start_us) // HOUR_US, block.value[good]
    table = np.zeros((HOURS, _HOUR_COLUMNS), dtype="<f8")
    table[:, 0] = np.bincount(hour, minlength=HOURS)
    table[:, 1:3] = np.inf, -np.inf
    np.minimum.at(table[:, 1], hour, value)
    np.maximum.at(table[:, 2], hour, value)
    with np.errstate(over="ignore"):
        table[:, 3] = np.bincount(hour, weights=value, minlength=HOURS)
    return table.tobytes()


def sift(con: sqlite3.Connection, found: Sequence[Fresh]) -> tuple[Sequence[Fresh], Added]:
    """Part rows into those that no chunk holds yet, and counts of those that one does.

    A row for a chunk whose raw data was let go for its age counts as repeated: it would be let go at once.
    """
    keys = list(set(map(row_key, found)))
    # one statement for all: nearly always there is none, and asking 500 times costs more than the insert
    there = con.execute(
        "SELECT k FROM chunk WHERE k IN (SELECT value FROM json_each(?))", (str(keys),)
    ).fetchall()
    closed = {k: chunk for (k,) in there if (chunk := _known(con, k)) is not None}
    if not closed:
        return found, Added(0, 0, 0)
    fresh, repeated, conflicting = [], 0, 0
    for row in found:
        chunk, at_us = closed.get(row_key(row)), row[0]
        if chunk is None or (chunk and at_us not in chunk):
            fresh.append(row)
        elif chunk and chunk[at_us] != row[2]:
            conflicting += 1
        else:
            repeated += 1
    return fresh, Added(0, repeated, conflicting)


def _known(con: sqlite3.Connection, k: int) -> dict[int, float] | None:
    """Return a chunk's values by time: None if there is no sound chunk, nothing if its data was let go."""
    row = con.execute("SELECT n, data FROM chunk WHERE k = ?", (k,)).fetchone()
    if row is None:
        return None
    if row[1] is None:
        return {}
    block = load(k, *row)
    return dict(zip(block.at_us.tolist(), block.value.tolist(), strict=True)) if block else None


def let_go(con: sqlite3.Connection, sensors: Iterable[int], before_us: int, limit: int) -> int:
    """Drop the raw data of up to `limit` chunks that end before a time; their roll-ups stay."""
    dropped = 0
    for sensor in sensors:
        first, last = key_range(sensor, 0, start_us(before_us))
        dropped += con.execute(
            "UPDATE chunk SET data = NULL WHERE k IN"
            " (SELECT k FROM chunk WHERE k BETWEEN ? AND ? AND data IS NOT NULL LIMIT ?)",
            (first, last, limit - dropped),
        ).rowcount
        if dropped >= limit:
            break
    return dropped
