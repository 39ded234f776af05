"""The process that makes outlooks, kept alive beside the daemon and out of its way.

It is a process of its own so that nothing in it can stall or crash the intake of readings: not a
long fit, not a full memory, not a fault in a library. Its standard input is a pipe that the
daemon holds open: when the daemon ends, even by kill -9, the pipe does, and so does the child.
"""

import contextlib
import logging
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO

from forecast.outlook_order import Order

HANG_S = 900.0
"""A child that gives no sign of life for so long is replaced: a first fit on a slow board takes minutes."""
_FIRST_WAIT_S, _LONGEST_WAIT_S = 1.0, 60.0
_STEADY_S = 60.0  # after this long at work the next restart waits no longer than the first
_STOP_S = 3.0
_LOOK_S = 0.5

_log = logging.getLogger(__name__)


class OutlookChild:
    """A thread that starts the process, and starts it again whenever it dies or hangs.

    `make_order` is asked anew at each start. `hang_s` [s] is how long the process may be silent.
    """

    def __init__(self, make_order: Callable[[], Order], *, hang_s: float = HANG_S) -> None:
        self._make_order = make_order
        self._hang_s = hang_s
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="outlook", daemon=True)
        self.starts = 0
        self.pid: int | None = None

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """End the process and the thread."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(_STOP_S + 2.0)

    def _run(self) -> None:
        wait_s = _FIRST_WAIT_S
        while not self._stopping.is_set():
            began_s = time.monotonic()
            try:
                self._one_life()
            except OSError as error:
                _log.warning("the outlook's process cannot start: %s", error)
            if time.monotonic() - began_s >= _STEADY_S:
                wait_s = _FIRST_WAIT_S
            if not self._stopping.wait(wait_s):
                wait_s = min(2.0 * wait_s, _LONGEST_WAIT_S)

    def _one_life(self) -> None:
        """Start the process, watch it, and see it dead."""
        process = _started()
        self.starts += 1
        self.pid = process.pid
        try:
            with contextlib.suppress(BrokenPipeError):  # it died at once: watching will tell
                _pipe(process.stdin).write(self._make_order().line())
                _pipe(process.stdin).flush()
            why = self._watch(process)
        finally:
            _end(process)
            self.pid = None
        if not self._stopping.is_set():
            _log.warning("the outlook's process %s; it is started again", why)

    def _watch(self, process: "subprocess.Popen[bytes]") -> str:
        """Wait until it ends, hangs or is to stop; every byte it writes is a sign of life."""
        output = _pipe(process.stdout).fileno()
        heard_s = time.monotonic()
        while not self._stopping.is_set():
            ready, _, _ = select.select([output], [], [], _LOOK_S)
            if ready:
                if not os.read(output, 4096):
                    return f"ended ({process.wait()})"
                heard_s = time.monotonic()
            elif time.monotonic() - heard_s > self._hang_s:
                return f"gave no sign of life for {self._hang_s:.0f} s"
        return "was stopped"


def _started() -> "subprocess.Popen[bytes]":
    here = str(Path(__file__).resolve().parent.parent)
    environment = {name: value for name, value in os.environ.items() if name != "NOTIFY_SOCKET"}
    path = os.pathsep.join(filter(None, (here, environment.get("PYTHONPATH"))))
    return subprocess.Popen(
        [sys.executable, "-P", "-c", "from forecast.service import main; main()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is for the daemon, which ends it in good order
        env=environment | {"PYTHONPATH": path, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
    )


def _end(process: "subprocess.Popen[bytes]") -> None:
    """Kill it: it writes in transactions and has nothing to tidy."""
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        with contextlib.suppress(OSError):
            _pipe(pipe).close()


def _pipe(pipe: IO[bytes] | None) -> IO[bytes]:
    """Return a pipe; a process started with pipes has them."""
    if pipe is None:
        raise OSError("no pipe to the outlook's process")
    return pipe
