"""The live screen's own process: it takes the place of the command that read the configuration."""

import errno
import json
import os
import signal
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryFile
from typing import NoReturn

from collector.clock import Clock, SystemClock
from collector.plain import made, plain
from dashboards.closer_look import LookInAProcess
from dashboards.watch_feed import Looked, WatchFeed
from dashboards.watched_shed import WatchedShed

_CODE = "import sys; sys.path.insert(0, sys.argv.pop(1)); from dashboards.watch_program import main; main()"
_STDERR = 2
_TERMINAL_EVERY_S = 2.0
_TAKE_DOWN_S = 20.0


@dataclass(frozen=True, slots=True)
class ScreenOrder:
    """What to watch and how: `only_ascii` where the terminal has nothing else, `plain` without braille.

    `looked` is the first closer look, so that the first picture is whole.
    """

    shed: WatchedShed
    looked: Looked | None
    every_s: float
    for_s: float
    big: bool
    plain: bool
    only_ascii: bool


def give_way(order: ScreenOrder) -> NoReturn:
    """Become the live screen: same process, but nothing in it that only a command needs."""
    room = str(Path(__file__).parent.parent)
    with TemporaryFile() as file:
        file.write(json.dumps(plain(order)).encode())
        file.seek(0)
        os.set_inheritable(file.fileno(), True)
        # -P: what lies in the folder one happens to be in is not to be loaded
        os.execv(  # noqa: S606  our own interpreter and code
            sys.executable, [sys.executable, "-P", "-c", _CODE, room, str(file.fileno())]
        )


def main() -> None:
    """Read the order from the open file that is named, and watch until told to stop."""
    # OpenSSL takes 4 MB, and a screen that reads files speaks to nobody; asyncio does without it
    sys.modules["ssl"] = None  # type: ignore[assignment]
    with os.fdopen(int(sys.argv[1]), "rb") as file:
        order = made(ScreenOrder, json.loads(file.read()))
    sys.exit(draw(order, SystemClock()))


def draw(order: ScreenOrder, clock: Clock, take_down: Callable[[], None] = lambda: None) -> int:
    """Draw the live screen until told to stop; return the exit code.

    Where the terminal goes away it does not return: it calls `take_down`, and the process ends.
    """
    from dashboards.terminal.render.watch import Look
    from dashboards.terminal.screens.watch import WatchApp

    for name in ("COLUMNS", "LINES"):  # a size that somebody exported does not follow the terminal's
        os.environ.pop(name, None)
    look = Look(view="big" if order.big else "main", plain=order.plain, only_ascii=order.only_ascii)
    feed = WatchFeed(order.shed, clock, LookInAProcess, order.looked)
    app = WatchApp(feed, every_s=order.every_s, look=look, for_s=order.for_s)
    with _no_longer_than_the_terminal(take_down):
        # without the mouse a terminal's own selecting and scrolling work, over ssh too
        app.run(mouse=False)
    return app.return_code or 0


@contextmanager
def _no_longer_than_the_terminal(take_down: Callable[[], None]) -> Iterator[None]:
    """End the process soon after its terminal is gone: what is then still to be written never ends."""
    ended = threading.Event()

    def watch() -> None:
        while not ended.wait(_TERMINAL_EVERY_S):
            try:
                termios.tcgetattr(_STDERR)
            except termios.error as error:
                if error.args[0] == errno.EIO:  # hung up
                    taking_down = threading.Thread(target=take_down, name="take down", daemon=True)
                    taking_down.start()
                    taking_down.join(_TAKE_DOWN_S)  # it may hang on the terminal as well
                    os._exit(128 + signal.SIGHUP)

    watcher = threading.Thread(target=watch, name="terminal", daemon=True)
    watcher.start()
    try:
        yield
    finally:
        ended.set()
        watcher.join()  # it may be taking down just now what the caller would
