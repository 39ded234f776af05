"""How a store's file is opened: folders made, its form brought up to date, mistakes in words."""

import os
import sqlite3
from contextlib import ExitStack
from pathlib import Path

from collector.errors import StoreError
from collector.store.connection import Database, connect, connect_reader, in_words
from collector.store.migrations import MIGRATIONS, is_foreign, migrate, schema_version


def open_file(path: str | os.PathLike[str], *, read_only: bool = False) -> Database:
    """Open a store's file; unless `read_only`, make it and its folders where they are missing.

    One opened to read only never holds up the process that writes.

    Raises
    ------
    StoreError
        If there is none (`read_only`), it was made by a later layday, it is no store, another
        program holds it locked, or this user may not open it.
    """
    file = Path(path).expanduser()
    if read_only:
        _check_there(file)
    else:
        _make_folders(file)
    with in_words(file), ExitStack() as undo:
        writer: sqlite3.Connection | None = None
        if not read_only:
            writer = connect(file, writable=True)
            undo.callback(writer.close)
            _check_ours(file, writer)
            _use_write_ahead_log(file, writer)
            migrate(writer)
        reader = connect_reader(file)
        undo.callback(reader.con.close)
        _check_ours(file, reader.con)
        _check_up_to_date(file, reader.con)
        database = Database(file, writer, reader)
        undo.pop_all()
    return database


def _check_there(file: Path) -> None:
    try:
        there = file.is_file()
    except OSError as error:
        raise StoreError(f"{file}: cannot be reached: {error.strerror}") from error
    if not there:
        raise StoreError(
            f"{file}: there is no store yet; 'layday run' or 'layday import' makes one, or give another path"
        )
    if not _may(file, os.R_OK):
        raise StoreError(f"{file}: this user may not read it; check its owner and permissions")


def _make_folders(file: Path) -> None:
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        is_folder = file.is_dir()
    except OSError as error:
        raise StoreError(
            f"{file.parent}: the store's folder cannot be made: {error.strerror}; give another path"
        ) from error
    if is_folder:
        raise StoreError(f"{file}: is a folder; give the name of a file in it, as in {file / 'layday.db'}")
    blocked = file if file.exists() else file.parent
    if os.statvfs(blocked).f_flag & os.ST_RDONLY:
        raise StoreError(
            f"{blocked}: the disk is mounted read-only, as systems do with a failing card; check it, and "
            "give the store another path meanwhile"
        )
    if not _may(blocked, os.W_OK):
        raise StoreError(f"{blocked}: this user may not write there; check its owner and permissions")


def _may(file: Path, what: int) -> bool:
    """Ask about the user whose rights count, where the system can tell."""
    return os.access(file, what, effective_ids=os.access in os.supports_effective_ids)


def _check_ours(file: Path, con: sqlite3.Connection) -> None:
    if is_foreign(con):
        raise StoreError(f"{file}: is another program's SQLite file; give the store another path")
    version = schema_version(con)
    if version > len(MIGRATIONS):
        raise StoreError(
            f"{file}: was written by a later layday (form {version}, this one knows {len(MIGRATIONS)}); "
            "install that version or a later one"
        )


def _use_write_ahead_log(file: Path, con: sqlite3.Connection) -> None:
    (mode,) = con.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise StoreError(f"{file}: this disk cannot hold a write-ahead log; put the store on a local disk")


def _check_up_to_date(file: Path, con: sqlite3.Connection) -> None:
    version = schema_version(con)
    if version < len(MIGRATIONS):
        raise StoreError(
            f"{file}: is in an earlier form ({version} of {len(MIGRATIONS)}); "
            "'layday run' or 'layday import' brings it up to date"
        )
