"""One daemon to a store."""

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from collector.errors import StoreError


@contextmanager
def hold_store(path: Path) -> Iterator[None]:
    """Keep every other daemon away from the store at `path`; the lock dies with the process.

    Raises
    ------
    StoreError
        If another daemon holds it, or the folder cannot be written.
    """
    lock_path = path.with_name(path.name + ".lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = lock_path.open("w")
    except OSError as error:
        raise StoreError(f"{lock_path}: {error.strerror}; give the store a folder you may write") from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise StoreError(
                f"{path}: another 'layday run' uses this store; stop it, or set another store.path"
            ) from None
        yield
