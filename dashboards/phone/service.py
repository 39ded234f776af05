"""The phone page's process: serves what is drawn, and has it drawn anew when there is another outlook.

It loads next to nothing itself. Drawing takes arrays and models, so a process that ends when it is done
does it: between outlooks nothing of that stays in memory.
"""

import contextlib
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

from collector.child_pipe import read_order
from collector.clock import Clock
from collector.file_mark import file_mark
from dashboards.phone.board import Board, Drawing
from dashboards.phone.doors import Doors
from dashboards.phone.order import PhoneOrder, read_phone_order
from dashboards.phone.server import PhoneServer, serving
from forecast.outlook_order import Order

LOOK_EVERY_S = 1.0
DRAW_S = 60.0
"""A drawing that takes longer is given up."""
AGAIN_S = 15.0
_OOM_FIRST = "700"
_HERE = os.pathsep.join(
    filter(None, (str(Path(__file__).resolve().parent.parent.parent), os.environ.get("PYTHONPATH", "")))
)


def _warn(words: str) -> None:
    """Say it as the daemon's log has it; the standard library's logging is a tenth of this process."""
    sys.stderr.write(f"WARNING {__name__}: {words}\n")


class Artist:
    """Has the newest outlook drawn whenever its file has changed."""

    def __init__(self, order: Order, board: Board, clock: Clock) -> None:
        self._order = order
        self._board = board
        self._clock = clock
        self._mark: object = None
        self._not_before_s = 0.0

    def seen(self, alarm: str) -> bool:
        """Enter that somebody has seen an alarm; say whether that is on disk. The next look draws it so."""
        try:
            self._run("alarms", f"{alarm}\n".encode())
        except (OSError, subprocess.SubprocessError) as error:
            _warn(f"alarm {alarm} could not be acknowledged: {error}")
            return False
        return True

    def look(self) -> bool:
        """Draw if there is something new; say whether something was drawn."""
        order = self._order
        alarms = Path(order.store_file).with_suffix(".alarms.sqlite")
        mark = (file_mark(Path(order.outlook_file)), file_mark(alarms))
        if mark == self._mark or not mark[0] or time.monotonic() < self._not_before_s:
            return False
        drawing = self._drawn()
        if drawing is None:
            self._not_before_s = time.monotonic() + AGAIN_S
            return False
        self._mark = mark
        self._board.put(drawing)
        return True

    def _drawn(self) -> Drawing | None:
        try:
            found = self._run("draw")
            return Drawing.of_text(found) if found.strip() else None
        except (OSError, subprocess.SubprocessError, ValueError, TypeError, KeyError) as error:
            _warn(f"the phone page could not be drawn: {error}")
            return None

    def _run(self, what: str, more: bytes = b"") -> bytes:
        """Run a module of ours to its end on the order; return what it writes."""
        done = subprocess.run(  # noqa: S603  our own modules, by name
            [sys.executable, "-P", "-c", f"from dashboards.phone.{what} import main; main()"],
            input=self._order.line() + more,
            stdout=subprocess.PIPE,
            timeout=DRAW_S,
            check=True,
            env=os.environ | {"PYTHONPATH": _HERE, "OPENBLAS_NUM_THREADS": "1"},
        )
        return done.stdout


def serve(order: PhoneOrder, stopping: threading.Event) -> None:
    """Serve until told to stop.

    Raises
    ------
    OSError
        If the address cannot be had.
    """
    clock = order.order.clock()
    board = Board(clock, os.urandom(4).hex())
    doors = Doors(order.token, frozenset(name.lower() for name in order.names), order.acknowledge)
    artist = Artist(order.order, board, clock)
    end = serving(PhoneServer((order.host, order.port), board, doors, order.order.speed, artist.seen))
    try:
        while not stopping.is_set():
            artist.look()
            stopping.wait(LOOK_EVERY_S)
    finally:
        end()


def main() -> None:
    """Read the order from standard input, and work until that pipe ends."""
    stopping = threading.Event()
    order = read_phone_order(read_order(stopping.set))
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(_OOM_FIRST, encoding="ascii")
    try:
        serve(order, stopping)
    except OSError as error:
        sys.exit(f"layday: no phone page at {order.host}, port {order.port}: {error.strerror}")
