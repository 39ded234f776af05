"""The file of alarms, their history and the outbox, beside the store: what must survive kill -9."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from collector.store.connection import Database
from collector.store.side_file import Kind, open_beside

_TABLES = (
    "CREATE TABLE watch (one INTEGER PRIMARY KEY CHECK (one = 1), text TEXT NOT NULL) STRICT",
    """CREATE TABLE history (
        n INTEGER PRIMARY KEY, at_us INTEGER NOT NULL, alarm TEXT NOT NULL, spot TEXT NOT NULL,
        turn TEXT NOT NULL, by_whom TEXT NOT NULL, answer_s REAL) STRICT""",
    """CREATE TABLE message (
        n INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, weight INTEGER NOT NULL,
        until_us INTEGER NOT NULL, text TEXT NOT NULL) STRICT""",
    "CREATE TABLE about (alarm TEXT NOT NULL, message INTEGER NOT NULL, PRIMARY KEY (alarm, message)) STRICT",
    """CREATE TABLE delivery (
        message INTEGER NOT NULL, person INTEGER NOT NULL, state TEXT NOT NULL, next_us INTEGER NOT NULL,
        tries INTEGER NOT NULL, channel TEXT NOT NULL, said TEXT NOT NULL, done_us INTEGER,
        PRIMARY KEY (message, person)) STRICT""",
    "CREATE INDEX delivery_waiting ON delivery (person, next_us) WHERE state IN ('waiting', 'trying')",
    "CREATE TABLE memo (key TEXT PRIMARY KEY, text TEXT NOT NULL) STRICT",
)
_KIND = Kind("alarms", application_id=0x6C617961, form=1, tables=_TABLES)  # "laya"


class AlarmFile:
    """One such file. All methods raise `StoreError` (`StoreFullError` with no space left)."""

    def __init__(self, database: Database) -> None:
        self._database = database

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: on leaving it is on disk, or, after an exception, nothing of it is."""
        with self._database.writing() as con:
            yield con

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """One consistent view."""
        with self._database.reading() as con:
            yield con

    def close(self) -> None:
        """Close the file."""
        self._database.close()


def alarm_path(store_path: Path) -> Path:
    """Return where the alarms of a store are, beside it."""
    return store_path.with_suffix(".alarms.sqlite")


def open_alarm_file(path: Path, *, read_only: bool = False) -> AlarmFile | None:
    """Open the alarms at `path`; unless `read_only`, make the file where it is missing.

    Returns None where it is only to be read and nobody has written one.

    Raises
    ------
    StoreError
        If it is another program's file, was made by a later layday, or cannot be opened.
    """
    database = open_beside(path, _KIND, read_only=read_only)
    return None if database is None else AlarmFile(database)
