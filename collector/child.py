"""A process of the daemon's own, kept alive beside it and out of its way.

It is a process so that nothing in it can stall or crash the intake of readings, nor take its share of
one interpreter. Its standard input is a pipe that the daemon holds open: when the daemon ends, even by
kill -9, the pipe does, and so does the child.
"""

import contextlib
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from collector.child_pipe import STOP, STOP_S
from collector.errors import LaydayError

_FIRST_WAIT_S, _LONGEST_WAIT_S = 1.0, 60.0
_STEADY_S = 60.0  # after this long at work the next restart waits no longer than the first
_LOOK_S = 0.25

_log = logging.getLogger(__name__)


class Child:
    """A thread that starts a process, and starts it again whenever it ends.

    Parameters
    ----------
    name
        What it does, for the log.
    code
        Python that the process runs; it calls `collector.child_pipe.read_order` first.
    make_order
        Returns the line that the process gets on its standard input; asked anew at each start.
    """

    def __init__(self, name: str, code: str, make_order: Callable[[], bytes]) -> None:
        self._name = name
        self._code = code
        self._make_order = make_order
        self._word = b""
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self.pid: int | None = None

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def stop(self, *, planned: bool = True) -> None:
        """End the process and the thread; unless `planned`, the process takes it for the daemon's death."""
        self._word = STOP if planned else b""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(STOP_S + 2.0)

    def _run(self) -> None:
        wait_s = _FIRST_WAIT_S
        while not self._stopping.is_set():
            began_s = time.monotonic()
            try:
                self._one_life()
            except (OSError, LaydayError) as error:
                _log.warning("the process for %s cannot start: %s", self._name, error)
            if time.monotonic() - began_s >= _STEADY_S:
                wait_s = _FIRST_WAIT_S
            if not self._stopping.wait(wait_s):
                wait_s = min(2.0 * wait_s, _LONGEST_WAIT_S)

    def _one_life(self) -> None:
        """Start the process, and see it dead; closing its standard input tells it to end."""
        process = _started(self._code)
        self.pid = process.pid
        try:
            with contextlib.suppress(BrokenPipeError):
                if process.stdin is not None:
                    process.stdin.write(self._make_order() + b"\n")
                    process.stdin.flush()
            while process.poll() is None and not self._stopping.wait(_LOOK_S):
                pass
        finally:
            with contextlib.suppress(OSError):
                if process.stdin is not None:
                    process.stdin.write(self._word)
                    process.stdin.close()
            try:
                code = process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()
                code = process.wait()
            self.pid = None
        if not self._stopping.is_set():
            _log.warning("the process for %s ended (%s); it is started again", self._name, code)


def _started(code: str) -> "subprocess.Popen[bytes]":
    here = str(Path(__file__).resolve().parent.parent)
    environment = {name: value for name, value in os.environ.items() if name != "NOTIFY_SOCKET"}
    path = os.pathsep.join(filter(None, (here, environment.get("PYTHONPATH"))))
    return subprocess.Popen(  # noqa: S603  ourselves, with code of our own
        [sys.executable, "-P", "-c", code],
        stdin=subprocess.PIPE,
        start_new_session=True,  # Ctrl-C is for the daemon, which ends it in good order
        env=environment | {"PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1"},
    )
