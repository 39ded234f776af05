"""The newest drawing, and how those who look at it learn of another."""

import json
import threading
from collections.abc import Mapping
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import NamedTuple

from collector.clock import Clock

STALE = timedelta(minutes=20)
"""A drawing of an older outlook no longer says how things are (`forecast.outlook.OUTLOOK_STALE`)."""
_NONE: Mapping[str, str] = MappingProxyType({})


class Drawing(NamedTuple):
    """An outlook as drawn for the page: finished HTML, and JSON views by name.

    All of its words but the views are ready for HTML. `verdict` is its first matter's, `word` the same in
    capitals, `heard_at` the newest reading's time. The `…_words` are local times. `alarms` are (name,
    words as HTML), the name empty once somebody has seen it.
    """

    shed: str
    verdict: str
    word: str
    issued_at: datetime
    issued_words: str
    heard_at: datetime | None
    heard_words: str
    first: str
    rest: str
    alarms: tuple[tuple[str, str], ...] = ()
    views: Mapping[str, str] = _NONE

    @classmethod
    def of_text(cls, text: bytes) -> "Drawing":
        """Return the drawing that `dashboards.phone.draw` has written.

        Raises
        ------
        ValueError, TypeError, KeyError
            If it is none.
        """
        raw = json.loads(text)
        heard_at = raw["heard_at"]
        moments = {
            "issued_at": datetime.fromisoformat(raw["issued_at"]),
            "heard_at": None if heard_at is None else datetime.fromisoformat(heard_at),
        }
        alarms = tuple((name, words) for name, words in raw["alarms"])
        return cls(**(raw | moments | {"alarms": alarms}))


class Sight(NamedTuple):
    """What there is to show at a moment: the `number`th drawing.

    `revision` is another whenever a page should be fetched anew.
    """

    drawing: Drawing | None
    at: datetime
    stale: bool
    number: int
    revision: str


class Board:
    """Holds the newest drawing; thread-safe."""

    def __init__(self, clock: Clock, begun: str) -> None:
        self._clock = clock
        self._begun = begun  # a page left open over a restart must know that counting began anew
        self._drawing: Drawing | None = None
        self._count = 0
        self._changed = threading.Condition()

    def put(self, drawing: Drawing) -> None:
        """Show another drawing."""
        with self._changed:
            self._drawing = drawing
            self._count += 1
            self._changed.notify_all()

    def sight(self) -> Sight:
        """Return what there is to show now."""
        with self._changed:
            drawing, count = self._drawing, self._count
        at = self._clock.now()
        stale = drawing is None or at - drawing.issued_at > STALE
        return Sight(drawing, at, stale, count, f"{self._begun}-{count}{'s' if stale else ''}")

    def wait(self, known: Sight, timeout_s: float) -> None:
        """Wait until there is another drawing than the one known, or so long [s], or `stir` is called."""
        with self._changed:
            if self._count == known.number:
                self._changed.wait(timeout_s)

    def stir(self) -> None:
        """Wake whoever waits."""
        with self._changed:
            self._changed.notify_all()
