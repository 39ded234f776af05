"""Rejected messages in SQLite: the newest in full, all of them as counts."""

import sqlite3
from collections import Counter
from collections.abc import Sequence

from collector.clock import from_us, to_us
from collector.domain import Rejected
from collector.store.limits import KEPT_REJECTED, MAX_REASONS, OTHER_REASONS, clipped


def insert(con: sqlite3.Connection, rejected: Sequence[Rejected]) -> None:
    """Keep rejected messages, count their reasons, and let the oldest beyond the limit go."""
    if not rejected:
        return
    items = [clipped(item) for item in rejected]
    con.executemany(
        "INSERT INTO rejected (received_us, source, topic, reason, head, size_bytes)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        [
            (to_us(i.received_at), i.source, i.topic, i.reason, i.payload_head, i.size_bytes)
            for i in items[-KEPT_REJECTED:]
        ],
    )
    con.execute("DELETE FROM rejected WHERE id <= (SELECT max(id) FROM rejected) - ?", (KEPT_REJECTED,))
    reasons = set(counts(con))
    times: Counter[str] = Counter()
    for item in items:
        fits = item.reason in reasons or len(reasons) < MAX_REASONS
        reason = item.reason if fits else OTHER_REASONS
        reasons.add(reason)
        times[reason] += 1
    con.executemany(
        "INSERT INTO rejected_count VALUES (?, ?)"
        " ON CONFLICT (reason) DO UPDATE SET count = count + excluded.count",
        times.items(),
    )


def newest(con: sqlite3.Connection, limit: int) -> list[Rejected]:
    """Return the newest rejected messages, newest first."""
    cursor = con.execute(
        "SELECT received_us, source, topic, reason, head, size_bytes FROM rejected ORDER BY id DESC LIMIT ?",
        (max(0, limit),),
    )
    return [Rejected(from_us(received_us), *rest) for received_us, *rest in cursor]


def counts(con: sqlite3.Connection) -> dict[str, int]:
    """Return how many messages were ever rejected, by reason."""
    return dict(con.execute("SELECT reason, count FROM rejected_count ORDER BY reason").fetchall())
