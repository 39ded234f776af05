"""SQLite as layday opens it: durable, guarded by locks, its errors in words a person can act on."""

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
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


class Database:
    """One writing and one reading connection to a file, each under its own lock.

    Reads see a snapshot and never wait for a commit; nothing else in the process opens the file.
    """

    def __init__(self, path: Path, writer: sqlite3.Connection | None, reader: sqlite3.Connection) -> None:
        self.path = path
        self._writer = writer
        self._reader: sqlite3.Connection | None = reader
        self._write_lock = threading.Lock()
        self._read_lock = threading.Lock()
        self._closed = False

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: on leaving it is on disk, or, after an exception, nothing of it is."""
        with self._write_lock, in_words(self.path):
            con = self._writer
            if con is None:
                raise StoreError(f"{self.path}: {'is closed' if self._closed else 'was opened to read only'}")
            con.execute("BEGIN IMMEDIATE")
            try:
                yield con
                con.execute("COMMIT")
            except BaseException:
                if con.in_transaction:
                    with suppress(sqlite3.Error):  # the first error is the one to report
                        con.execute("ROLLBACK")
                raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """One consistent view of the file."""
        with self._read_lock, in_words(self.path):
            con = self._reader
            if con is None:
                raise StoreError(f"{self.path}: is closed")
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
            for con in (self._reader, self._writer):
                if con is not None:
                    con.close()
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
