"""A SQLite file of another kind beside the store: opened, made where it is missing, and known as ours."""

import sqlite3
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from collector.errors import StoreError
from collector.store.connection import Database, connect, connect_reader, in_words


@dataclass(frozen=True, slots=True)
class Kind:
    """What such a file is: `holds` in words, its mark, its tables; `form` rises when they change.

    `synced` waits for the disk with every commit; what can be made again need not.
    """

    holds: str
    application_id: int
    form: int
    tables: tuple[str, ...]
    synced: bool = True


def open_beside(path: Path, kind: Kind, *, read_only: bool = False) -> Database | None:
    """Open the file at `path`; unless `read_only`, make it where it is missing.

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
            if not kind.synced:
                writer.execute("PRAGMA synchronous = NORMAL")
            _make(writer, kind)
        reader = connect_reader(path)
        undo.callback(reader.con.close)
        if not _is_of(path, reader.con, kind):
            undo.close()
            return None
        undo.pop_all()
    return Database(path, writer, reader)


def _make(con: sqlite3.Connection, kind: Kind) -> None:
    con.execute("BEGIN IMMEDIATE")
    if con.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        for statement in kind.tables:
            con.execute(statement)
        con.execute(f"PRAGMA application_id = {kind.application_id}")
        con.execute(f"PRAGMA user_version = {kind.form}")
    con.execute("COMMIT")


def _is_of(path: Path, con: sqlite3.Connection, kind: Kind) -> bool:
    """Say whether there is something to read; an empty file is one that is just being made."""
    if con.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0:
        return False
    mark = con.execute("PRAGMA application_id").fetchone()[0]
    form = con.execute("PRAGMA user_version").fetchone()[0]
    if mark != kind.application_id:
        raise StoreError(
            f"{path}: holds no {kind.holds} of layday; move it away or give the store another path"
        )
    if form > kind.form:
        raise StoreError(f"{path}: was written by a later layday; install that version or a later one")
    return True
