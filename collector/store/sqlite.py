"""The store on disk: one SQLite file."""

import threading
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from collector.clock import from_us, to_us
from collector.domain import Flag, Reading, Rejected
from collector.store import rejects, rows
from collector.store.base import Added, Samples, SensorSpan, State
from collector.store.connection import Database


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

    def add(self, readings: Sequence[Reading], rejected: Sequence[Rejected] = ()) -> Added:
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
            added = rows.insert(con, [rows.Row(r[1], known[r[0]].id, *r[2:]) for r in named])
            rejects.insert(con, rejected)
        with self._spans_lock:  # only now: a span that was rolled back must not be taken for known
            self._spans.update(changed)
        return added

    def sensors(self) -> Mapping[str, SensorSpan]:
        """Return every sensor ever heard, by name."""
        with self._database.reading() as con:
            spans = rows.spans(con)
        return {name: SensorSpan(from_us(s.first_us), from_us(s.last_us)) for name, s in spans.items()}

    def latest(self, at: datetime, within: timedelta) -> Mapping[str, Reading]:
        """Return each sensor's newest reading in (at - within, at]; silent sensors are absent."""
        with self._database.reading() as con:
            spans = rows.spans(con)
            found = rows.newest(con, spans.values(), to_us(at - within), to_us(at))
        return {name: _reading(name, found[span.id]) for name, span in spans.items() if span.id in found}

    def window(self, sensor: str, start: datetime, end: datetime) -> Samples:
        """Return a sensor's readings in [start, end); empty arrays where there are none."""
        with self._database.reading() as con:
            span = rows.spans(con).get(sensor)
            found = rows.between(con, span.id, to_us(start), to_us(end)) if span else []
        return Samples(
            times_us=np.array([row[0] for row in found], dtype=np.int64),
            values=np.array([row[1] for row in found], dtype=np.float64),
            flags=np.array([row[2] for row in found], dtype=np.int64),
        )

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
        with self._database.writing() as con:
            con.execute("INSERT OR REPLACE INTO state VALUES (?, ?, ?)", (key, state.text, to_us(state.at)))

    def read_state(self, key: str) -> State | None:
        """Return what was left under `key`, or None."""
        with self._database.reading() as con:
            row = con.execute("SELECT text, at_us FROM state WHERE key = ?", (key,)).fetchone()
        return State(row[0], from_us(row[1])) if row else None

    def close(self) -> None:
        """Close the file; the store is not used again."""
        self._database.close()


def _reading(sensor: str, row: rows.Row) -> Reading:
    return Reading(sensor, from_us(row.at_us), row.value, from_us(row.at_us + row.delay_us), Flag(row.flags))
