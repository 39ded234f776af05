"""Outlooks kept some days in a file of their own beside the store, newest and past.

A file of its own, since it can be made again: it is written without waiting for the disk, by the
outlooks' own process, and never takes the store's write lock from the readings.
"""

import sqlite3
import zlib
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path

from collector.clock import from_us, to_us
from collector.errors import InputError, StoreError
from collector.store.connection import Database, connect, connect_reader, in_words
from forecast.outlook import Outlook
from forecast.outlook_json import dump_outlook, load_outlook

KEEP = timedelta(days=3)
"""How far back alarms and screens can look."""

_APPLICATION_ID = 0x6C61796F  # "layo": outlooks
_FORM = 1
_US = timedelta(microseconds=1)


class OutlookBook:
    """One file of outlooks. All methods raise `StoreError` (`StoreFullError` with no space left)."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def keep(self, outlook: Outlook) -> None:
        """Keep an outlook in place of any of the same moment, and let those older than `KEEP` go."""
        text = zlib.compress(dump_outlook(outlook).encode())
        at_us = to_us(outlook.issued_at)
        with self._database.writing() as con:
            con.execute("INSERT OR REPLACE INTO outlook (issued_us, text) VALUES (?, ?)", (at_us, text))
            con.execute("DELETE FROM outlook WHERE issued_us < ?", (at_us - KEEP // _US,))

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
    if read_only and not path.exists():
        return None
    with in_words(path), ExitStack() as undo:
        writer = None
        if not read_only:
            path.parent.mkdir(parents=True, exist_ok=True)
            writer = connect(path, writable=True)
            undo.callback(writer.close)
            writer.execute("PRAGMA journal_mode = WAL")
            writer.execute("PRAGMA synchronous = NORMAL")  # it can be made again: no wear for it
            _make(writer)
        reader = connect_reader(path)
        undo.callback(reader.con.close)
        if not _is_ours(path, reader.con):
            undo.close()
            return None
        undo.pop_all()
    return OutlookBook(Database(path, writer, reader))


def _make(con: sqlite3.Connection) -> None:
    con.execute("BEGIN IMMEDIATE")
    if con.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        con.execute("CREATE TABLE outlook (issued_us INTEGER PRIMARY KEY, text BLOB NOT NULL) STRICT")
        con.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        con.execute(f"PRAGMA user_version = {_FORM}")
    con.execute("COMMIT")


def _is_ours(path: Path, con: sqlite3.Connection) -> bool:
    """Say whether there are outlooks to read; an empty file is one that is just being made."""
    if con.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        return False
    mark = con.execute("PRAGMA application_id").fetchone()[0]
    form = con.execute("PRAGMA user_version").fetchone()[0]
    if mark != _APPLICATION_ID:
        raise StoreError(f"{path}: holds no outlooks of layday; move it away or give the store another path")
    if form > _FORM:
        raise StoreError(f"{path}: was written by a later layday; install that version or a later one")
    return True
