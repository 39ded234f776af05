"""Outlooks kept some days, a few of them a season, in a file of their own beside the store, newest and past.

A file of its own, since it can be made again: it is written without waiting for the disk, by the
outlooks' own process, and never takes the store's write lock from the readings.
"""

import zlib
from datetime import datetime, timedelta
from pathlib import Path

from collector.clock import from_us, to_us
from collector.errors import InputError
from collector.store.connection import Database
from collector.store.side_file import Kind, open_beside
from forecast.outlook import Outlook
from forecast.outlook_json import dump_outlook, load_outlook

KEEP = timedelta(days=3)
"""How far back alarms and screens can look."""

SEASON = timedelta(days=400)
"""How far back the first outlook of every six hours is kept, so that a season's forecasts can be scored."""
_BLOCK = timedelta(hours=6)

_KIND = Kind(
    holds="outlooks",
    application_id=0x6C61796F,  # "layo"
    form=1,
    tables=("CREATE TABLE outlook (issued_us INTEGER PRIMARY KEY, text BLOB NOT NULL) STRICT",),
    synced=False,  # it can be made again: no wear for it
)
_US = timedelta(microseconds=1)


class OutlookBook:
    """One file of outlooks. All methods raise `StoreError` (`StoreFullError` with no space left)."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def keep(self, outlook: Outlook) -> None:
        """Keep an outlook in place of any of the same moment.

        Those older than `KEEP` go, but for the first of every six hours, which stay for a `SEASON`.
        """
        text = zlib.compress(dump_outlook(outlook).encode())
        at_us = to_us(outlook.issued_at)
        with self._database.writing() as con:
            con.execute("INSERT OR REPLACE INTO outlook (issued_us, text) VALUES (?, ?)", (at_us, text))
            con.execute("DELETE FROM outlook WHERE issued_us < ?", (at_us - SEASON // _US,))
            con.execute(
                "DELETE FROM outlook WHERE issued_us < ? AND issued_us NOT IN"
                " (SELECT min(issued_us) FROM outlook WHERE issued_us < ? GROUP BY issued_us / ?)",
                (at_us - KEEP // _US, at_us - KEEP // _US, _BLOCK // _US),
            )

    def newest(self, at: datetime | None = None) -> Outlook | None:
        """Return the newest outlook, or the newest made by a moment; None where there is none.

        One written by another version of layday counts as none.
        """
        limit_us = 2**62 if at is None else to_us(at)
        with self._database.reading() as con:
            row = con.execute(
                "SELECT text FROM outlook WHERE issued_us <= ? ORDER BY issued_us DESC LIMIT 1", (limit_us,)
            ).fetchone()
        return None if row is None else _read(row[0])

    def newest_at(self) -> datetime | None:
        """Return when the newest outlook was made, without reading it."""
        with self._database.reading() as con:
            row = con.execute("SELECT max(issued_us) FROM outlook").fetchone()
        return None if row[0] is None else from_us(row[0])

    def between(self, start: datetime, end: datetime) -> list[Outlook]:
        """Return the outlooks made in [start, end), in order."""
        with self._database.reading() as con:
            rows = con.execute(
                "SELECT text FROM outlook WHERE issued_us >= ? AND issued_us < ? ORDER BY issued_us",
                (to_us(start), to_us(end)),
            ).fetchall()
        return [outlook for (text,) in rows if (outlook := _read(text)) is not None]

    def spaced(self, start: datetime, end: datetime) -> list[Outlook]:
        """Return the first outlook of every six hours in [start, end), in order."""
        with self._database.reading() as con:
            rows = con.execute(
                "SELECT text, min(issued_us) FROM outlook WHERE issued_us >= ? AND issued_us < ?"
                " GROUP BY issued_us / ? ORDER BY issued_us",
                (to_us(start), to_us(end), _BLOCK // _US),
            ).fetchall()
        return [outlook for text, _ in rows if (outlook := _read(text)) is not None]

    def close(self) -> None:
        """Close the file."""
        self._database.close()


def _read(text: bytes) -> Outlook | None:
    try:
        return load_outlook(zlib.decompress(text))
    except (InputError, zlib.error):
        return None


def open_outlooks(path: Path, *, read_only: bool = False) -> OutlookBook | None:
    """Open the outlooks at `path`; unless `read_only`, make the file where it is missing.

    Returns None where it is only to be read and nobody has written one.

    Raises
    ------
    StoreError
        If it is another program's file, was made by a later layday, or cannot be opened.
    """
    database = open_beside(path, _KIND, read_only=read_only)
    return None if database is None else OutlookBook(database)
