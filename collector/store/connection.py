"""SQLite as layday opens it: durable, guarded by locks, its errors in words a person can act on."""

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple
from urllib.parse import quote

from collector.errors import StoreError, StoreFullError

BUSY_S = 10.0
_WAL_LIMIT_BYTES = 16 * 1024 * 1024
_NO_SPACE_BYTES = 64 * 1024


def connect(path: Path, *, writable: bool, immutable: bool = False) -> sqlite3.Connection:
    """Open one connection; its users share it under a lock, so it may cross threads.

    Raises
    ------
    sqlite3.Error
        As SQLite says it; callers put it into words with `in_words`.
    """
    options = "mode=rwc" if writable else "mode=ro"
    if immutable:
        options += "&immutable=1"
    con = sqlite3.connect(
        f"file:{quote(str(path))}?{options}",
        uri=True,
        timeout=BUSY_S,
        isolation_level=None,
        check_same_thread=False,
    )
    try:
        con.execute("PRAGMA temp_store = MEMORY")
        con.execute("PRAGMA trusted_schema = OFF")
        if writable:
            con.execute("PRAGMA synchronous = FULL")
            # Debian's SQLite overwrites what is deleted with zeros; on a card that is wear for nothing
            con.execute("PRAGMA secure_delete = OFF")
            con.execute(f"PRAGMA journal_size_limit = {_WAL_LIMIT_BYTES}")
        else:
            con.execute("PRAGMA query_only = ON")
    except BaseException:
        con.close()
        raise
    return con


class Reader(NamedTuple):
    """A connection to read with; `still` if it will never see what is written after it opened."""

    con: sqlite3.Connection
    still: bool


def connect_reader(path: Path) -> Reader:
    """Open a connection to read with, also where this user or this disk lets nobody write.

    There SQLite can read beside a running daemon; with none, it needs to be told that nothing changes.

    Raises
    ------
    sqlite3.Error
        As SQLite says it.
    StoreError
        If part of the readings stands in a log that cannot be read there.
    """
    con = connect(path, writable=False)
    try:
        con.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error as error:
        con.close()
        if error.sqlite_errorcode & 0xFF not in {sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY}:
            raise
    else:
        return Reader(con, still=False)
    log = path.with_name(f"{path.name}-wal")
    if log.exists() and log.stat().st_size:
        raise StoreError(
            f"{path}: was not closed in order, and without the right to write here its log cannot be read; "
            f"copy it and {log.name} to a folder that you may write, and open it there"
        )
    return Reader(connect(path, writable=False, immutable=True), still=True)


class Database:
    """One writing and one reading connection to a file, each under its own lock.

    Reads see a snapshot and never wait for a commit.
    """

    def __init__(self, path: Path, writer: sqlite3.Connection | None, reader: Reader) -> None:
        self.path = path
        self._writer = writer
        self._reader: Reader | None = reader
        self._write_lock = threading.Lock()
        self._read_lock = threading.Lock()
        self._closed = False

    @contextmanager
    def writing(self, *, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """One transaction: on leaving it is on disk, or, after an exception, nothing of it is.

        Unless `durable` it gets there with a later one that is, in their order.
        """
        with self._write_lock, in_words(self.path):
            con = self._writer
            if con is None:
                raise StoreError(f"{self.path}: {'is closed' if self._closed else 'was opened to read only'}")
            if not durable:
                con.execute("PRAGMA synchronous = NORMAL")
            try:
                con.execute("BEGIN IMMEDIATE")
                yield con
                con.execute("COMMIT")
            except BaseException:
                if con.in_transaction:
                    with suppress(sqlite3.Error):  # the first error is the one to report
                        con.execute("ROLLBACK")
                raise
            finally:
                if not durable:
                    con.execute("PRAGMA synchronous = FULL")

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """One consistent view of the file."""
        with self._read_lock, in_words(self.path):
            if self._reader is None:
                raise StoreError(f"{self.path}: is closed")
            if self._reader.still:
                self._reader.con.close()
                self._reader = connect_reader(self.path)
            con = self._reader.con
            con.execute("BEGIN")
            try:
                yield con
            finally:
                if con.in_transaction:
                    con.execute("COMMIT")

    def close(self) -> None:
        """Close both connections; closing twice does nothing."""
        with self._write_lock, self._read_lock:
            self._closed = True
            if self._reader is not None:
                self._reader.con.close()
            if self._writer is not None:
                self._writer.close()
            self._reader = self._writer = None


@contextmanager
def in_words(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours."""
    try:
        yield
    except sqlite3.Error as error:
        raise store_error(path, error) from error


def store_error(path: Path, error: sqlite3.Error) -> StoreError:
    """Say what SQLite's error means for this file and what to do."""
    code: int = getattr(error, "sqlite_errorcode", None) or sqlite3.SQLITE_ERROR
    primary = code & 0xFF
    if primary == sqlite3.SQLITE_FULL or (primary == sqlite3.SQLITE_IOERR and _disk_is_full(path)):
        return StoreFullError(
            f"{path}: no space left on the disk; nothing more is kept until some is freed, then it goes on"
        )
    what = {
        sqlite3.SQLITE_BUSY: f"another program has held the store for {BUSY_S:g} s; end it and try again",
        sqlite3.SQLITE_NOTADB: "is no layday store; give another path, or move this file away",
        sqlite3.SQLITE_CORRUPT: "is damaged; stop layday, keep a copy of the file, and restore a backup",
        sqlite3.SQLITE_READONLY: "cannot be written; the disk or the file is read-only, or was moved away",
        sqlite3.SQLITE_CANTOPEN: "cannot be opened; check that it exists and who may read and write there",
        sqlite3.SQLITE_PERM: "may not be opened by this user; check who may read and write there",
        sqlite3.SQLITE_IOERR: "the disk failed to read or write; check it and its cable",
    }.get(primary)
    return StoreError(f"{path}: {what} ({error})" if what else f"{path}: {error}")


def _disk_is_full(path: Path) -> bool:
    """Ask the disk: SQLite says no more than I/O error where it could not grow its shared index."""
    try:
        room = os.statvfs(path.parent)
    except OSError:
        return False
    return room.f_bavail * room.f_frsize < _NO_SPACE_BYTES
