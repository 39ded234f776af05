"""What a process of the daemon's own does with the pipe it was given; the daemon's side is `child`.

It stands alone so that a process that must be small need not load what starts processes.
"""

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable

STOP = b"stop\n"
"""What the daemon says when it ends as planned; without it, it was killed."""
STOP_S = 3.0
"""How long a process has to end."""
_NICE = 5


def read_order(end: Callable[[], None], orphaned: Callable[[], None] | None = None) -> str:
    """In the process: return the line it was given.

    `end` is called once the daemon says that it stops, or is gone; `orphaned` in place of it where
    it is gone without having said so.
    """
    with contextlib.suppress(OSError):
        os.nice(_NICE)  # readings go first
    line = sys.stdin.buffer.readline().decode()
    threading.Thread(target=_await_end, args=(end, orphaned or end), name="parent", daemon=True).start()
    return line


def _await_end(end: Callable[[], None], orphaned: Callable[[], None]) -> None:
    said = b""
    with contextlib.suppress(OSError):
        while heard := sys.stdin.buffer.read(4096):
            said += heard
    (end if said.endswith(STOP) else orphaned)()
    time.sleep(STOP_S)
    os._exit(0)  # in the middle of a request that nobody answers; what it carried is sent again
