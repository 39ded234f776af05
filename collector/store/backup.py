"""A copy of a store, made while it is in use, and checked before it counts."""

import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

from collector.errors import InputError, StoreError
from collector.store.connection import connect_reader, in_words


def back_up(path: Path, to: Path) -> int:
    """Copy a store to a new file, compact and whole, and return the copy's bytes.

    The daemon may go on writing: the copy holds what was there when it began. It is checked,
    then synced, and only then gets its name. To restore: stop layday, put the copy in the store's place,
    and remove the store's ``-wal`` and ``-shm`` files.

    Raises
    ------
    InputError
        If `to` is there already, or its folder is not.
    StoreError
        If the store cannot be read, the copy cannot be written (`StoreFullError` with no space
        left for it), or does not pass its check.
    """
    if to.exists():
        raise InputError(f"{to}: is there already; give the backup a name of its own")
    if not to.parent.is_dir():
        raise InputError(f"{to.parent}: there is no such folder for the backup")
    partial = to.with_name(f".{to.name}.part")
    partial.unlink(missing_ok=True)
    try:
        _copy(path, partial)
        _check(partial)
        _sync(partial)
        size = partial.stat().st_size
        partial.rename(to)
        _sync(to.parent)
    except OSError as error:
        raise StoreError(f"{to}: cannot be written: {error.strerror}") from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
    return size


def _copy(path: Path, partial: Path) -> None:
    with in_words(path):
        con = connect_reader(path).con
    with closing(con), in_words(partial):
        con.execute("PRAGMA query_only = OFF")  # the store is open to read only all the same
        con.execute("VACUUM INTO ?", (str(partial),))


def _check(partial: Path) -> None:
    with in_words(partial), closing(sqlite3.connect(partial)) as con:
        (verdict,) = con.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict != "ok":
        raise StoreError(f"{partial}: the copy is damaged ({verdict}); check the disk, then try again")


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
