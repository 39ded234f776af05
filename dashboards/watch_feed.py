"""What the live screen reads: store, outlooks and journal, to read only, and no oftener than they change."""

import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple, TypeVar, cast

from collector.clock import Clock
from collector.errors import LaydayError
from collector.journal import open_journal
from dashboards.watch_view import Sight
from dashboards.watched_shed import WatchedShed
from forecast.cure_outlook import CureOutlook
from forecast.outlook import Outlook
from forecast.outlook_book import OutlookBook, open_outlooks
from forecast.recent import Recent, recent
from forecast.shed_now import shed_now

if TYPE_CHECKING:
    from collector.store.base import Store

CHART_EVERY_S = 60.0
"""The chart's past is read anew so often: a cell of it is a quarter of an hour wide."""
CURES_EVERY_S = 30.0
_PAST = timedelta(hours=48)
_NEW = timedelta(minutes=2)
_NEWEST = 20  # entries come seldom: one since the outlook is among the last
_T = TypeVar("_T")


class _Kept(NamedTuple):
    """Something read, what it depends on, and when it was."""

    of: object
    read_s: float
    value: object


class WatchFeed:
    """Looks at everything at once; a store that is away is told as trouble, and tried again next time.

    Not for several threads at a time.
    """

    def __init__(self, shed: WatchedShed, clock: Clock) -> None:
        self._shed = shed
        self._clock = clock
        self._sensors = {sensor.name: sensor for sensor in shed.sensors}
        self._store: Store | None = None
        self._outlooks: OutlookBook | None = None
        self._outlook: Outlook | None = None
        self._kept: dict[str, _Kept] = {}

    def look(self, bay: str = "") -> Sight:
        """Return what is known now; `bay` is the one to draw, the first if there is none so called."""
        sight = Sight(self._clock.now(), self._shed.name)
        try:
            return self._look(sight, bay)
        except LaydayError as error:
            self._let_go()
            return replace(sight, trouble=str(error))

    def close(self) -> None:
        """Close the files."""
        self._let_go()

    def _look(self, sight: Sight, bay: str) -> Sight:
        at = sight.at
        self._store = self._store or self._shed.open_store()
        now = shed_now(self._store, sight.shed, self._sensors, self._shed.limits, at)
        outlook = self._newest()
        names = [one.bay for one in now.bays]
        drawn = bay if bay in names else next(iter(names), "")
        issued_at = None if outlook is None else outlook.issued_at
        cures = self._again(
            "cures",
            (issued_at, _mark(Path(self._shed.journal_file))),
            CURES_EVERY_S,
            lambda: self._cures(outlook, at),
        )
        return replace(
            sight,
            now=now,
            outlook=outlook,
            cures=cures,
            bay=drawn,
            past=self._again("past", drawn, CHART_EVERY_S, lambda: self._past(drawn, at)),
        )

    def _cures(self, outlook: Outlook | None, at: datetime) -> tuple[CureOutlook, ...]:
        """Return the outlook's cures, as they are where the journal says nothing newer.

        Else they are worked out here; what that takes is loaded only then.
        """
        journal = open_journal(Path(self._shed.journal_file), read_only=True)
        if journal is None:
            return ()
        with closing(journal):
            book = journal.book()
        live = [cure.key for cure in book.live if cure.laid_at <= at]
        if not live:
            return ()
        told = outlook is None or any(
            entry.entered_at > outlook.issued_at for entry in book.entries[-_NEWEST:]
        )
        if outlook is not None and not told and not outlook.is_stale(at):
            known = {cure.key: cure for cure in outlook.cures}
            if all(key in known for key in live):
                return tuple(known[key] for key in live)
        from dashboards.cures import cures_now

        return cures_now(self._shed.session(self._clock), book, outlook, at)[0]

    def _past(self, bay: str, at: datetime) -> tuple[Recent, ...]:
        return recent(self._store, bay, at - _PAST, at + _NEW) if bay and self._store else ()

    def _newest(self) -> Outlook | None:
        """Return the newest outlook, read only when there is another."""
        self._outlooks = self._outlooks or open_outlooks(Path(self._shed.outlook_file), read_only=True)
        if self._outlooks is None:
            return None
        if self._outlooks.newest_at() != (self._outlook and self._outlook.issued_at):
            self._outlook = self._outlooks.newest()
        return self._outlook

    def _again(self, name: str, of: object, every_s: float, read: Callable[[], _T]) -> _T:
        """Return what was read before while it still holds."""
        kept = self._kept.get(name)
        if kept is None or kept.of != of or time.monotonic() - kept.read_s > every_s:
            kept = self._kept[name] = _Kept(of, time.monotonic(), read())
        return cast("_T", kept.value)

    def _let_go(self) -> None:
        for file in (self._store, self._outlooks):
            if file is not None:
                with suppress(LaydayError):
                    file.close()
        self._store = self._outlooks = None
        self._kept.clear()


def _mark(path: Path) -> object:
    """Return what changes when somebody writes to the journal."""
    marks = []
    for file in (path, path.with_name(f"{path.name}-wal")):
        with suppress(OSError):
            stat = file.stat()
            marks.append((stat.st_mtime_ns, stat.st_size))
    return tuple(marks)
