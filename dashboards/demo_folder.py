"""The folder of a demo: it goes away with its demo, and one that a killed demo left goes with the next.

A demo holds a lock on a file in its folder for as long as it lives, however it ends. So a folder whose lock
nobody holds is nobody's any more. What no demo makes is never removed: a folder that holds such is left.
"""

import fcntl
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_PREFIX = "layday-demo-"
_LOCK = "demo.lock"
MESSAGES = "messages.jsonl"


@contextmanager
def demo_folder() -> Iterator[Path]:
    """Make a folder for a demo, and remove it afterwards; those of demos that were killed go first."""
    for left in Path(tempfile.gettempdir()).glob(f"{_PREFIX}*"):
        with suppress(OSError):
            _clear_away(left)
    with tempfile.TemporaryDirectory(prefix=_PREFIX) as name:
        folder = Path(name)
        being_made = folder / "demo.lock.new"
        with being_made.open("x") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            being_made.rename(folder / _LOCK)  # so that under this name it was never free
            yield folder


def _clear_away(folder: Path) -> None:
    """Remove a folder of this user's if its demo is gone and nothing lies in it but files that demos make."""
    if folder.is_symlink() or folder.stat().st_uid != os.geteuid():
        return
    with os.fdopen(os.open(folder / _LOCK, os.O_RDWR | os.O_NOFOLLOW), "r+") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        files = [file for file in folder.iterdir() if file.name != _LOCK]
        if not all(file.is_file() and _is_a_demos(file.name) for file in files):
            return
        for file in (*files, folder / _LOCK):
            file.unlink()
        folder.rmdir()


def _is_a_demos(name: str) -> bool:
    return name.startswith("layday.") or name == MESSAGES
