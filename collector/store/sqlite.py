"""The store on disk: one SQLite file."""

import sqlite3
import threading
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from collector.clock import from_us, to_us
from collector.domain import Reading, Rejected
from collector.store import arrivals, chunks, rejects, rollup, row_arrays, rows
from collector.store import marks as mark_rows
from collector.store.base import Added, Mark, Rollup, Samples, SensorSpan, State
from collector.store.codec import Block
from collector.store.compaction import Compactor
from collector.store.connection import Database
from collector.store.newest import reading_of, spans_of


class SqliteStore:
    """Keeps readings in a SQLite file (write-ahead log, synced at each commit).

    `collector.store.opening.open_store` makes one. Other processes may read the file meanwhile,
    and write to it in turn.

    Parameters
    ----------
    database
        The open file, its schema up to date.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._spans: dict[str, rows.Span] = {}
        self._spans_lock = threading.Lock()

    def add(
        self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
    ) -> Added:
        """Keep a batch in one transaction; on return it is on disk, or nothing of it is.

        Raises
        ------
        StoreError
            If it cannot be written; `StoreFullError` with no space left. The same batch may be added again.
        ValueError
            If a time has no offset or a value is not finite; nothing is kept.
        """
        named = rows.named(readings)
        with self._spans_lock:
            known = dict(self._spans)
        with self._database.writing() as con:
            changed = rows.widen_spans(con, named, known)
            known.update(changed)
            found = [
                (at_us, known[name].id, value, delay_us, flags)
                for name, at_us, value, delay_us, flags in named
            ]
            fresh, known_already = chunks.sift(con, found)
            added = rows.insert(con, fresh)
            if added.new:
                arrivals.note(con, fresh)
            rejects.insert(con, rejected)
            mark_rows.insert(con, marks)
        with self._spans_lock:  # only now: a span that was rolled back must not be taken for known
            self._spans.update(changed)
        return Added(*(a + b for a, b in zip(added, known_already, strict=True)))

    def marks(self) -> Sequence[Mark]:
        """Return the marks of the newest messages, oldest first."""
        with self._database.reading() as con:
            return mark_rows.kept(con)

    def sensors(self) -> Mapping[str, SensorSpan]:
        """Return every sensor ever heard, by name."""
        with self._database.reading() as con:
            return spans_of(rows.spans(con))

    def latest(self, at: datetime, within: timedelta) -> Mapping[str, Reading]:
        """Return each sensor's newest reading in (at - within, at]; silent sensors are absent."""
        oldest_us, newest_us = to_us(at - within), to_us(at)
        with self._database.reading() as con:
            spans = rows.spans(con)
            found = rows.newest(con, spans.values(), oldest_us, newest_us)
            for span in spans.values():
                row = found.get(span.id)
                since_us = row.at_us if row else oldest_us
                if span.first_us <= newest_us and since_us < min(span.last_us, newest_us):
                    row = chunks.newest(con, span.id, since_us, newest_us)
                    if row:
                        found[span.id] = row
        return {name: reading_of(name, found[span.id]) for name, span in spans.items() if span.id in found}

    def window(self, sensor: str, start: datetime, end: datetime) -> Samples:
        """Return a sensor's readings in [start, end); empty arrays where there are none."""
        with self._database.reading() as con:
            block = _block(con, rows.written_spans(con).get(sensor), to_us(start), to_us(end))
        return Samples(times_us=block.at_us, values=block.value, flags=block.flags)

    def rollup(self, sensor: str, start: datetime, end: datetime, step: timedelta) -> Rollup:
        """Return a sensor's readings without a flag, summed up in steps; see `Store.rollup`."""
        asked = rollup.steps(start, end, step)
        with self._database.reading() as con:
            span = rows.written_spans(con).get(sensor)
            parts = _parts(con, span, asked)
        return rollup.fold(asked, parts)

    def rollups(self, start: datetime, end: datetime, step: timedelta) -> Mapping[str, Rollup]:
        """Return every sensor's roll-up; see `Store.rollups`."""
        asked = rollup.steps(start, end, step)
        with self._database.reading() as con:
            spans = rows.written_spans(con)
            if not _is_hourly(asked) or asked.start_us < 0:
                return {name: rollup.fold(asked, _parts(con, span, asked)) for name, span in spans.items()}
            recent = row_arrays.hourly(con, asked.start_us, asked.end_us)
            return {
                name: rollup.fold(asked, _from_sums(con, span, asked, recent.get(span.id)))
                for name, span in spans.items()
            }

    def compact(self, now: datetime, *, rest: float = 1.0) -> int:
        """Move readings from windows that closed before `now` into chunks; return how many.

        Run it every few minutes, and after an import. Others may read and write meanwhile: the file is held
        some ten milliseconds at a time, and then left alone for `rest` times as long.

        Raises
        ------
        StoreError
            If it cannot be written. Nothing is lost; the next run goes on.
        """
        return Compactor(self._database, rest).compact(to_us(now))

    def let_go(self, before: datetime, *, rest: float = 1.0) -> int:
        """Drop raw readings from before a time, in whole chunks, and return how many chunks.

        Their hourly roll-ups stay. Readings that come for them later count as repeated and are not kept.
        """
        return Compactor(self._database, rest).let_go(to_us(before))

    def rejected(self, limit: int) -> Sequence[Rejected]:
        """Return the newest rejected messages, newest first (only the last few thousand are kept)."""
        with self._database.reading() as con:
            return rejects.newest(con, limit)

    def rejected_counts(self) -> Mapping[str, int]:
        """Return how many messages were ever rejected, by reason."""
        with self._database.reading() as con:
            return rejects.counts(con)

    def write_state(self, key: str, state: State) -> None:
        """Leave a piece of state, in place of what the key held."""
        with self._database.writing(durable=state.durable) as con:
            con.execute("INSERT OR REPLACE INTO state VALUES (?, ?, ?)", (key, state.text, to_us(state.at)))

    def read_state(self, key: str) -> State | None:
        """Return what was left under `key`, or None."""
        with self._database.reading() as con:
            row = con.execute("SELECT text, at_us FROM state WHERE key = ?", (key,)).fetchone()
        return State(row[0], from_us(row[1])) if row else None

    def close(self) -> None:
        """Close the file; the store is not used again."""
        self._database.close()


def _block(con: sqlite3.Connection, span: rows.Span | None, start_us: int, end_us: int) -> Block:
    """Return a sensor's readings in [start_us, end_us) from chunks and rows."""
    if span is None:
        return row_arrays.between(con, -1, 0, 0)
    recent = row_arrays.between(con, span.id, start_us, end_us)
    return chunks.union([*chunks.blocks(con, span.id, start_us, end_us), recent])


def _is_hourly(asked: rollup.Steps) -> bool:
    return asked.start_us % chunks.HOUR_US == 0 and asked.step_us % chunks.HOUR_US == 0


def _parts(con: sqlite3.Connection, span: rows.Span | None, asked: rollup.Steps) -> list[rollup.Parts]:
    if span and _is_hourly(asked):
        return _by_hour(con, span, asked)
    block = _block(con, span, asked.start_us, asked.end_us)
    return [rollup.of_readings(block.at_us, block.value, block.flags)]


def _from_sums(
    con: sqlite3.Connection, span: rows.Span, asked: rollup.Steps, recent: rollup.Parts | None
) -> list[rollup.Parts]:
    """Add the rows' own sums to the chunks' where they share no six hours; else look at the readings."""
    whole_us = asked.end_us // chunks.HOUR_US * chunks.HOUR_US
    shared = set() if recent is None else set((recent.at_us // chunks.SPAN_US * chunks.SPAN_US).tolist())
    if whole_us < asked.end_us:
        shared.add(chunks.start_us(whole_us))
    if any(chunks.is_there(con, span.id, start_us) for start_us in shared):
        return _by_hour(con, span, asked)
    hours = chunks.hourly(con, span.id, asked.start_us, asked.end_us)
    ready = hours.pick(hours.at_us < whole_us)
    return [ready] if recent is None else [ready, recent]


def _by_hour(con: sqlite3.Connection, span: rows.Span, asked: rollup.Steps) -> list[rollup.Parts]:
    """Take whole hours from the chunks' sums; read readings only where rows wait, and the last part hour."""
    recent = row_arrays.between(con, span.id, asked.start_us, asked.end_us)
    whole_us = asked.end_us // chunks.HOUR_US * chunks.HOUR_US
    waiting = np.unique(recent.at_us // chunks.SPAN_US * chunks.SPAN_US)
    hours = chunks.hourly(con, span.id, asked.start_us, asked.end_us)
    ready = ~np.isin(hours.at_us // chunks.SPAN_US * chunks.SPAN_US, waiting) & (hours.at_us < whole_us)
    stretches = [(start_us, start_us + chunks.SPAN_US) for start_us in waiting.tolist()]
    if chunks.start_us(whole_us) not in waiting:
        stretches.append((whole_us, asked.end_us))
    found = [
        block
        for low_us, high_us in stretches
        for block in chunks.blocks(con, span.id, max(low_us, asked.start_us), min(high_us, asked.end_us))
    ]
    block = chunks.union([*found, recent])
    return [
        hours.pick(ready),
        rollup.of_readings(block.at_us, block.value, block.flags),
    ]
