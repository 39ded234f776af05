"""The shed's store as a spool: which stretches are yet to be copied, their readings, and what was refused.

A stretch (`Job`) is first claimed, so that it grows no more, and only then read: rows in order of time,
then chunks. Rows only ever move into chunks, so whatever lay in the stretch when it was claimed is met
at least once. Nothing is crossed off before the far end has said that it has it.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import NamedTuple, Self

from collector.clock import from_us
from collector.errors import StoreError
from collector.forward.lines import Values
from collector.store import chunks
from collector.store.arrivals import NEAR_US
from collector.store.connection import Database, connect, connect_reader, in_words
from collector.store.migrations import MIGRATIONS, schema_version

_LISTED = "seq, low_us, high_us, count, sensors, row_us, row_sensor, chunk_k"
_MAX_SENSORS = 500
LIVE_READINGS = 5000
_LIVE_SPAN_US = 600_000_000
_STATE = "INSERT OR REPLACE INTO state VALUES (?, ?, ?)"


@dataclass(frozen=True, slots=True)
class Job:
    """A stretch to copy, of all sensors or of those listed, and how far that has come.

    Rows up to (`row_us`, `row_sensor`) are copied, and chunks up to the key `chunk_k`; `row_us` is
    None before the first, and `chunk_k` until all rows are.
    """

    seq: int
    low_us: int
    high_us: int
    count: int
    sensors: tuple[int, ...] | None
    row_us: int | None = None
    row_sensor: int = 0
    chunk_k: int | None = None


class Piece(NamedTuple):
    """Some readings of a job, and the job as it stands once they are copied; None when it is then done."""

    values: Sequence[Values]
    size: int
    left: Job | None


class Backlog(NamedTuple):
    """What waits: readings as they were noted (a stretch may hold more), stretches, the oldest time."""

    readings: int
    stretches: int
    oldest_us: int | None
    dead_letters: int


class DeadLetter(NamedTuple):
    """A line that the central store refuses for good, when and why."""

    id: int
    at_us: int
    status: int
    reason: str
    line: str


class Spool:
    """The forwarder's end of a store.

    Its own commits are not synced one by one: after a power cut some are undone, which only means that
    readings are copied once more.
    """

    def __init__(self, path: Path, *, read_only: bool = False) -> None:
        if not path.is_file():
            raise StoreError(f"{path}: there is no store yet; 'layday run' makes one")
        with in_words(path), ExitStack() as undo:
            reader = connect_reader(path)
            undo.callback(reader.con.close)
            if schema_version(reader.con) < len(MIGRATIONS):
                raise StoreError(f"{path}: is in an earlier form; 'layday run' brings it up to date")
            writer = None
            if not read_only:
                writer = connect(path, writable=True)
                undo.callback(writer.close)
                writer.execute("PRAGMA synchronous = NORMAL")
            undo.pop_all()
        self._database = Database(path, writer, reader)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def begin(self, target: str) -> bool:
        """Forward to `target` from now on; to another one than before, from the first reading on.

        Returns whether that is a fresh start.
        """
        with self._database.writing() as con:
            row = con.execute("SELECT target FROM forward_to").fetchone()
            if row and row[0] == target:
                return False
            con.execute("INSERT OR REPLACE INTO forward_to VALUES (1, ?, '')", (target,))
            con.execute("DELETE FROM arrival")
            con.executemany(
                "INSERT INTO arrival (low_us, high_us, count, claimed) VALUES (?, ?, ?, 1)", _everything(con)
            )
            return True

    def claim(self) -> list[Job]:
        """Close the notes taken so far; return those that are live: few readings of a short stretch.

        The others become jobs to be done by and by, joined with those not begun that they overlap or adjoin.
        """
        with self._database.reading() as con:
            if not con.execute("SELECT 1 FROM arrival WHERE claimed = 0 LIMIT 1").fetchone():
                return []
        with self._database.writing() as con:
            fresh = [_hull(group) for group in _joined(_jobs(con, "claimed = 0"))]
            con.execute("DELETE FROM arrival WHERE claimed = 0")
            live = [_begin(con, job) for job in fresh if _is_live(job)]
            if len(live) < len(fresh):
                waiting = _jobs(con, "claimed = 1 AND done_us IS NULL AND row_us IS NULL")
                waiting = [job for job in waiting if job.seq not in {other.seq for other in live}]
                late = [job for job in fresh if not _is_live(job)]
                con.executemany("DELETE FROM arrival WHERE seq = ?", [(job.seq,) for job in waiting])
                for group in _joined([*waiting, *late]):
                    _begin(con, _hull(group))
        return live

    def oldest_job(self) -> Job | None:
        """Return the job to go on with: one begun already, else the earliest."""
        with self._database.reading() as con:
            found = _jobs(con, "claimed = 1 AND done_us IS NULL ORDER BY row_us IS NULL, low_us LIMIT 1")
        return found[0] if found else None

    def take(self, job: Job, limit: int) -> Piece:
        """Return the next readings of a job, about `limit` of them."""
        with self._database.reading() as con:
            names = dict(con.execute("SELECT id, name FROM sensor"))
            if job.chunk_k is None:
                found = _rows(con, job, limit)
                parts = list(_by_sensor(found, names))
                if len(found) >= limit:
                    left = replace(job, row_us=found[-1][0], row_sensor=found[-1][1])
                    return Piece(parts, len(found), left)
                job = replace(job, row_us=job.high_us, chunk_k=-1)
                limit -= len(found)
            else:
                found, parts = [], []
            count, k = len(found), job.chunk_k
            for k, part in _chunks(con, job, names):
                parts.append(part)
                count += len(part.times_us)
                if count >= limit:
                    return Piece(parts, count, replace(job, chunk_k=k))
        return Piece(parts, count, None)

    def advance(self, job: Job, left: Job | None, done_us: int | None = None) -> None:
        """Note how far a job has come; one that is done is crossed off, or kept as done at `done_us`."""
        with self._database.writing() as con:
            if left is not None:
                con.execute(
                    "UPDATE arrival SET row_us = ?, row_sensor = ?, chunk_k = ? WHERE seq = ?",
                    (left.row_us, left.row_sensor, left.chunk_k, left.seq),
                )
            elif done_us is not None:
                con.execute("UPDATE arrival SET done_us = ? WHERE seq = ?", (done_us, job.seq))
            else:
                con.execute("DELETE FROM arrival WHERE seq = ?", (job.seq,))

    def settle(self, server: str, before_us: int) -> int:
        """Cross off what was done before a time; if the server is another run of itself, do it all again.

        Returns how many jobs are to be done again.
        """
        with self._database.writing() as con:
            row = con.execute("SELECT server FROM forward_to").fetchone()
            con.execute("UPDATE forward_to SET server = ?", (server,))
            if row and row[0] not in {"", server}:
                return con.execute(
                    "UPDATE arrival SET done_us = NULL, row_us = NULL, row_sensor = NULL, chunk_k = NULL"
                    " WHERE done_us IS NOT NULL OR row_us IS NOT NULL"
                ).rowcount
            con.execute("DELETE FROM arrival WHERE done_us < ?", (before_us,))
        return 0

    def bury(self, letters: Sequence[tuple[str, int, str]], at_us: int) -> None:
        """Put (line, status, reason) of refused lines aside."""
        with self._database.writing() as con:
            con.executemany(
                "INSERT OR IGNORE INTO dead_letter (at_us, status, reason, line) VALUES (?, ?, ?, ?)",
                [(at_us, status, reason[:300], line) for line, status, reason in letters],
            )

    def dead_letters(self, limit: int = -1) -> list[DeadLetter]:
        """Return the refused lines, the newest first; all of them unless limited."""
        with self._database.reading() as con:
            cursor = con.execute(
                "SELECT id, at_us, status, reason, line FROM dead_letter ORDER BY id DESC LIMIT ?", (limit,)
            )
            return [DeadLetter(*row) for row in cursor]

    def forget(self, letters: Sequence[DeadLetter]) -> None:
        """Strike refused lines out, as after a second try."""
        with self._database.writing() as con:
            con.executemany("DELETE FROM dead_letter WHERE id = ?", [(letter.id,) for letter in letters])

    def backlog(self) -> Backlog:
        """Return what waits."""
        with self._database.reading() as con:
            readings, stretches, oldest_us = con.execute(
                "SELECT coalesce(sum(count), 0), count(*), min(low_us) FROM arrival WHERE done_us IS NULL"
            ).fetchone()
            (dead,) = con.execute("SELECT count(*) FROM dead_letter").fetchone()
        return Backlog(readings, stretches, oldest_us, dead)

    def write_state(self, key: str, text: str, at_us: int) -> None:
        """Leave word of oneself for other processes, as `Store.write_state` does."""
        with self._database.writing() as con:
            con.execute(_STATE, (key, text, at_us))

    def read_state(self, key: str) -> str | None:
        """Return a piece of state."""
        with self._database.reading() as con:
            row = con.execute("SELECT text FROM state WHERE key = ?", (key,)).fetchone()
        return row[0] if row else None

    def state_at(self, key: str) -> datetime | None:
        """Return when a piece of state was left."""
        with self._database.reading() as con:
            row = con.execute("SELECT at_us FROM state WHERE key = ?", (key,)).fetchone()
        return from_us(row[0]) if row else None


def _everything(con: sqlite3.Connection) -> list[tuple[int, int, int]]:
    """Return (low, high, count) of all that a store holds, by six-hour windows, earliest first."""
    counts: dict[int, int] = {}
    cursor = con.execute(
        f"SELECT (k & {(1 << 33) - 1}) * 1000000, sum(n) FROM chunk WHERE data IS NOT NULL GROUP BY 1"  # noqa: S608  a number of ours
    )
    counts.update(cursor)
    at_us = -(2**63)
    while True:  # from row to row by the key, a window at a time
        row = con.execute("SELECT at_us FROM reading WHERE at_us >= ? LIMIT 1", (at_us,)).fetchone()
        if row is None:
            break
        start_us = chunks.start_us(row[0])
        at_us = start_us + chunks.SPAN_US
        (count,) = con.execute(
            "SELECT count(*) FROM reading WHERE at_us >= ? AND at_us < ?", (start_us, at_us)
        ).fetchone()
        counts[start_us] = counts.get(start_us, 0) + count
    return [(low_us, low_us + chunks.SPAN_US - 1, counts[low_us]) for low_us in sorted(counts)]


def _jobs(con: sqlite3.Connection, which: str) -> list[Job]:
    cursor = con.execute(f"SELECT {_LISTED} FROM arrival WHERE {which}")  # noqa: S608  literals of this module
    return [
        Job(seq, low_us, high_us, count, _unlisted(sensors), row_us, row_sensor or 0, chunk_k)
        for seq, low_us, high_us, count, sensors, row_us, row_sensor, chunk_k in cursor
    ]


def _is_live(job: Job) -> bool:
    return job.count <= LIVE_READINGS and job.high_us - job.low_us <= _LIVE_SPAN_US


def _begin(con: sqlite3.Connection, job: Job) -> Job:
    """Enter a claimed job; its number is a new one."""
    (seq,) = con.execute(
        "INSERT INTO arrival (low_us, high_us, count, sensors, claimed) VALUES (?, ?, ?, ?, 1) RETURNING seq",
        (job.low_us, job.high_us, job.count, _listed(job.sensors)),
    ).fetchone()
    return replace(job, seq=seq)


def _listed(sensors: Sequence[int] | None) -> str | None:
    return None if sensors is None else ",".join(map(str, sensors))


def _unlisted(text: str | None) -> tuple[int, ...] | None:
    return None if text is None else tuple(int(part) for part in text.split(","))


def _joined(jobs: Sequence[Job]) -> list[list[Job]]:
    """Group jobs that overlap or adjoin, those within one window, or of listed sensors alike."""
    groups: list[list[Job]] = []
    high_us = 0
    for job in sorted(jobs, key=lambda job: job.low_us):
        near = bool(groups) and job.low_us <= high_us + NEAR_US
        inside = bool(groups) and job.low_us <= high_us
        one_window = near and chunks.start_us(groups[-1][0].low_us) == chunks.start_us(job.high_us)
        alike = near and groups[-1][0].sensors == job.sensors and job.sensors is not None
        if one_window or alike or (inside and job.high_us <= high_us):
            groups[-1].append(job)
            high_us = max(high_us, job.high_us)
        else:
            groups.append([job])
            high_us = job.high_us
    return groups


def _hull(jobs: Sequence[Job]) -> Job:
    sensors: tuple[int, ...] | None = None
    if all(job.sensors is not None for job in jobs):
        every = {sensor for job in jobs for sensor in job.sensors or ()}
        sensors = tuple(sorted(every)) if len(every) <= _MAX_SENSORS else None
    return Job(
        seq=jobs[0].seq,
        low_us=min(job.low_us for job in jobs),
        high_us=max(job.high_us for job in jobs),
        count=sum(job.count for job in jobs),
        sensors=sensors,
    )


def _rows(con: sqlite3.Connection, job: Job, limit: int) -> list[tuple[int, int, float, int, int]]:
    only = "" if job.sensors is None else f"AND sensor IN ({_listed(job.sensors)})"
    began = job.row_us is not None
    return con.execute(
        "SELECT at_us, sensor, value, delay_us, flags FROM reading"  # noqa: S608  ids are integers
        f" WHERE (at_us, sensor) > (?, ?) AND at_us <= ? {only} ORDER BY at_us, sensor LIMIT ?",
        (job.row_us if began else job.low_us, job.row_sensor if began else -1, job.high_us, limit),
    ).fetchall()


def _by_sensor(found: Sequence[tuple[int, int, float, int, int]], names: dict[int, str]) -> Iterator[Values]:
    table: dict[int, list[tuple[int, int, float, int, int]]] = {}
    for row in found:
        table.setdefault(row[1], []).append(row)
    for sensor, rows in table.items():
        at_us, _, value, delay_us, flags = zip(*rows, strict=True)
        yield Values(names[sensor], at_us, value, delay_us, flags)


def _chunks(con: sqlite3.Connection, job: Job, names: dict[int, str]) -> Iterator[tuple[int, Values]]:
    """Yield what of a job lies in chunks, one at a time, in order of their keys."""
    after = -1 if job.chunk_k is None else job.chunk_k
    for sensor in _chunked(con, job, after):
        first, last = chunks.key_range(sensor, job.low_us, job.high_us + 1)
        cursor = con.execute(
            "SELECT k, n, data FROM chunk WHERE k BETWEEN ? AND ? AND k > ? AND data IS NOT NULL ORDER BY k",
            (first, last, after),
        )
        for k, count, data in cursor:
            block = chunks.load(k, count, data)
            if block is not None:  # a spoilt chunk is a gap here too; 'layday store --check' names it
                block = chunks.cut(block, job.low_us, job.high_us + 1)
                columns = (block.at_us, block.value, block.delay_us, block.flags)
                yield k, Values(names[sensor], *(column.tolist() for column in columns))


def _chunked(con: sqlite3.Connection, job: Job, after: int) -> list[int]:
    """Return the job's sensors that have a chunk in its stretch, in one statement: mostly there is none."""
    low, last = chunks.key_range(0, job.low_us, job.high_us + 1)
    if last < low:
        return []
    cursor = con.execute(
        "SELECT id FROM sensor WHERE EXISTS (SELECT 1 FROM chunk WHERE k BETWEEN (id << 33) + ?1"
        " AND (id << 33) + ?2 AND k > ?3 AND data IS NOT NULL) ORDER BY id",
        (low, last, after),
    )
    asked = None if job.sensors is None else set(job.sensors)
    return [row[0] for row in cursor if asked is None or row[0] in asked]
