"""What keeps a store small over the years: closed windows into chunks, old raw readings let go."""

import logging
import threading
from datetime import timedelta

from collector.clock import Clock
from collector.errors import StoreError
from collector.memory import give_back_memory
from collector.store.sqlite import SqliteStore

EVERY_S = 300.0

_log = logging.getLogger(__name__)


class Housekeeper:
    """A thread that tidies a store every few minutes, in slices too short to hold up intake.

    `keep_days` is how long raw readings stay; 0 keeps them for ever. Hourly roll-ups always stay.
    """

    def __init__(
        self, store: SqliteStore, clock: Clock, keep_days: float, *, every_s: float = EVERY_S
    ) -> None:
        self._store = store
        self._clock = clock
        self._keep = timedelta(days=keep_days) if keep_days else None
        self._every_s = every_s
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="housekeeping", daemon=True)

    def start(self) -> None:
        """Begin, with a first round at once."""
        self._thread.start()

    def stop(self, timeout_s: float = 1.0) -> None:
        """End after the slice in hand; what is left is tidied next time."""
        self._stopping.set()
        self._thread.join(timeout_s)

    def tidy(self) -> None:
        """Do one round. A store that cannot be written is left for the next one."""
        now = self._clock.now()
        try:
            moved = self._store.compact(now)
            let_go = self._store.let_go(now - self._keep) if self._keep else 0
        except StoreError as error:
            if not self._stopping.is_set():
                _log.warning("the store could not be tidied; the next round goes on: %s", error)
            return
        if moved or let_go:
            give_back_memory()
            _log.info("%d readings moved into chunks, %d old chunks let go", moved, let_go)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.tidy()
            self._stopping.wait(self._every_s)
