"""What redeliveries are known by, in SQLite: a row a batch, its marks as bytes."""

import sqlite3
import struct
from collections.abc import Sequence

from collector.clock import from_us, to_us
from collector.store.base import Mark
from collector.store.limits import KEPT_MARKS, KEPT_MARKS_S

_PAIR = struct.Struct("<qq")
_PRUNED_EVERY = 1000


def insert(con: sqlite3.Connection, marks: Sequence[Mark]) -> None:
    """Keep a batch's marks, and now and then let the oldest go.

    The row's id is the number of marks ever kept, so rows are only ever added on the right and
    removed on the left: a page or two for each commit.
    """
    if not marks:
        return
    before = con.execute("SELECT max(id) FROM mark").fetchone()[0] or 0
    newest_us = max(to_us(mark.received_at) for mark in marks)
    data = b"".join(_PAIR.pack(mark.digest, to_us(mark.received_at)) for mark in marks)
    last = before + len(marks)
    con.execute("INSERT INTO mark VALUES (?, ?, ?)", (last, newest_us, data))
    if before // _PRUNED_EVERY != last // _PRUNED_EVERY:
        con.execute("DELETE FROM mark WHERE id <= ?", (last - KEPT_MARKS,))
        oldest_us = newest_us - KEPT_MARKS_S * 1_000_000
        con.execute(
            "DELETE FROM mark WHERE id < (SELECT min(id) FROM mark WHERE newest_us >= ?)", (oldest_us,)
        )


def kept(con: sqlite3.Connection) -> list[Mark]:
    """Return the marks that are kept, oldest first."""
    return [
        Mark(digest, from_us(at_us))
        for (data,) in con.execute("SELECT data FROM mark ORDER BY id")
        for digest, at_us in _PAIR.iter_unpack(data)
    ][-KEPT_MARKS:]
