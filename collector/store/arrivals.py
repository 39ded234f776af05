"""What came in and has yet to be copied elsewhere: stretches of time, noted with each batch.

Readings have no number of their own, and late ones land anywhere among earlier ones; so each batch
notes the stretch in which its times lie, in its own transaction. Neighbouring notes become one, up to
a six-hour window; thus a week without a network is some thirty notes, and noting costs a batch two
short statements. A note that has been claimed by `collector.forward` never grows again: what comes
later gets another, however late it is.

Who copies a stretch copies what lies in it, earlier readings too: copying twice changes nothing.
"""

import sqlite3
from collections.abc import Iterable, Sequence

from collector.store.chunks import SPAN_US, start_us
from collector.store.rows import Fresh

NEAR_US = 60_000_000
_JOIN_US = 900_000_000
_CLUSTERS = 8


def note(con: sqlite3.Connection, fresh: Sequence[Fresh]) -> None:
    """Note in which stretches the times of a batch lie, where anything is to be forwarded at all."""
    if con.execute("SELECT 1 FROM forward_to").fetchone() is None:
        return
    times_us = [row[0] for row in fresh]
    low_us, high_us = min(times_us), max(times_us)
    if high_us - low_us <= NEAR_US:
        _widen(con, low_us, high_us, len(times_us))
    else:
        _note_scattered(con, sorted((row[0], row[1]) for row in fresh))


def _widen(con: sqlite3.Connection, low_us: int, high_us: int, count: int) -> None:
    """Let the newest note grow over a short stretch beside it, or begin another."""
    window_us = start_us(high_us)
    grown = con.execute(
        "UPDATE arrival SET low_us = min(low_us, ?1), high_us = max(high_us, ?2), count = count + ?3"
        " WHERE seq = (SELECT max(seq) FROM arrival) AND claimed = 0 AND sensors IS NULL"
        " AND low_us BETWEEN ?4 AND ?2 + ?6 AND high_us BETWEEN ?1 - ?6 AND ?5 AND ?1 >= ?4",
        (low_us, high_us, count, window_us, window_us + SPAN_US - 1, _JOIN_US),
    )
    if not grown.rowcount:
        _begin(con, low_us, high_us, count, None)


def _note_scattered(con: sqlite3.Connection, keys: Sequence[tuple[int, int]]) -> None:
    """Note each cluster of a batch that holds late readings, by its sensors where it is long."""
    gap_us = max(NEAR_US, (keys[-1][0] - keys[0][0]) // _CLUSTERS)
    first = 0
    for i in range(1, len(keys) + 1):
        if i == len(keys) or keys[i][0] - keys[i - 1][0] > gap_us:
            low_us, high_us = keys[first][0], keys[i - 1][0]
            short = high_us - low_us <= NEAR_US
            sensors = None if short else sorted({sensor for _, sensor in keys[first:i]})
            _begin(con, low_us, high_us, i - first, sensors)
            first = i


def _begin(
    con: sqlite3.Connection, low_us: int, high_us: int, count: int, sensors: Iterable[int] | None
) -> None:
    listed = None if sensors is None else ",".join(map(str, sensors))
    con.execute(
        "INSERT INTO arrival (low_us, high_us, count, sensors) VALUES (?, ?, ?, ?)",
        (low_us, high_us, count, listed),
    )
