"""The file of alarms, their history and the outbox, beside the store: what must survive kill -9."""

import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from collector.errors import StoreError
from collector.store.connection import Database, connect, connect_reader, in_words

_APPLICATION_ID = 0x6C617961  # "laya": alarms
_FORM = 1
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
    if read_only and not path.exists():
        return None
    with in_words(path), ExitStack() as undo:
        writer = None
        if not read_only:
            path.parent.mkdir(parents=True, exist_ok=True)
            writer = connect(path, writable=True)
            undo.callback(writer.close)
            writer.execute("PRAGMA journal_mode = WAL")
            _make(writer)
        reader = connect_reader(path)
        undo.callback(reader.con.close)
        if not _is_ours(path, reader.con):
            undo.close()
            return None
        undo.pop_all()
    return AlarmFile(Database(path, writer, reader))


def _make(con: sqlite3.Connection) -> None:
    con.execute("BEGIN IMMEDIATE")
    if con.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        for statement in _TABLES:
            con.execute(statement)
        con.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        con.execute(f"PRAGMA user_version = {_FORM}")
    con.execute("COMMIT")


def _is_ours(path: Path, con: sqlite3.Connection) -> bool:
    """Say whether there are alarms to read; an empty file is one that is just being made."""
    if con.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        return False
    if con.execute("PRAGMA application_id").fetchone()[0] != _APPLICATION_ID:
        raise StoreError(f"{path}: holds no alarms of layday; move it away or give the store another path")
    if con.execute("PRAGMA user_version").fetchone()[0] > _FORM:
        raise StoreError(f"{path}: was written by a later layday; install that version or a later one")
    return True
