"""Every outdoor forecast as it was issued, so that what was known when can be asked later."""

import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timedelta
from pathlib import Path

from collector.clock import from_us, to_us
from collector.errors import StoreError
from forecast.weather import Outdoor, dump_outdoor, load_outdoor

# Between kept issues; the newest always is one. Ninety days of them are some 5 MB.
_APART = timedelta(hours=3)
_KEEP = timedelta(days=90)
_BUSY_S = 5.0


class WeatherBook:
    """A small SQLite file beside the store; one process writes it, others may read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        with self._open() as con:
            con.execute("PRAGMA journal_mode=WAL")
            con.execute(
                "CREATE TABLE IF NOT EXISTS issue (heard_us INTEGER PRIMARY KEY, body BLOB NOT NULL) STRICT"
            )

    def keep(self, outdoor: Outdoor, heard_at: datetime) -> None:
        """Keep what was heard at `heard_at`; the same again changes nothing.

        Raises
        ------
        StoreError
            If the file cannot be written.
        """
        body = zlib.compress(dump_outdoor(outdoor).encode())
        heard_us = to_us(heard_at)
        with self._open() as con, con:
            rows = con.execute("SELECT heard_us, body FROM issue ORDER BY heard_us DESC LIMIT 2").fetchall()
            if rows and rows[0][1] == body:
                return
            if len(rows) > 1 and from_us(rows[0][0]) - from_us(rows[1][0]) < _APART:
                con.execute("DELETE FROM issue WHERE heard_us = ?", (rows[0][0],))
            con.execute("INSERT OR REPLACE INTO issue VALUES (?, ?)", (heard_us, body))
            con.execute("DELETE FROM issue WHERE heard_us < ?", (to_us(heard_at - _KEEP),))

    def issues(self, start: datetime, end: datetime) -> list[tuple[datetime, Outdoor]]:
        """Return what was heard in [start, end], oldest first.

        Raises
        ------
        StoreError
            If the file cannot be read.
        """
        with self._open() as con:
            rows = con.execute(
                "SELECT heard_us, body FROM issue WHERE heard_us BETWEEN ? AND ? ORDER BY heard_us",
                (to_us(start), to_us(end)),
            ).fetchall()
        return [(from_us(at_us), load_outdoor(zlib.decompress(body).decode())) for at_us, body in rows]

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        """Open for one task and close again: this file is touched a few times an hour."""
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with closing(sqlite3.connect(self._path, timeout=_BUSY_S)) as con:
                yield con
        except (sqlite3.Error, OSError, zlib.error, ValueError) as error:
            raise StoreError(f"{self._path}: {error}; delete the file to begin a new one") from error
