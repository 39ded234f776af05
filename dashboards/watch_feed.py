"""What the live screen reads: store, outlooks and journal, to read only, and no oftener than they change."""

import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from collector.clock import Clock
from collector.errors import LaydayError
from collector.journal import open_journal
from dashboards.closer_look import PATIENCE_S, Answer, LookHere, Question, UnderWay
from dashboards.watch_view import Sight
from dashboards.watched_shed import WatchedShed
from forecast.cure_outlook import CureOutlook
from forecast.outlook import Outlook
from forecast.outlook_book import OutlookBook, open_outlooks
from forecast.shed_now import Heard, heard_last, judge_shed

if TYPE_CHECKING:
    from collector.store.newest import NewestRows

CLOSER_EVERY = timedelta(minutes=5)
"""So often the closer look is repeated: a dot of the chart is six minutes wide, or more."""
CLOSER_LEAST_S = 20.0
"""But no sooner than this by the computer's own clock, where a simulated shed's runs faster."""
_SOON_S = 1.0
_NEWEST = 20  # entries come seldom: one since the outlook is among the last

BeginLook = Callable[[WatchedShed, Question], UnderWay]


@dataclass(frozen=True, slots=True)
class Looked:
    """A closer look: what was asked, the journal's state that the answer goes by, and the answer."""

    question: Question
    journal: tuple[float, ...]
    answer: Answer

    def still_answers(self, question: Question, journal: tuple[float, ...]) -> bool:
        """Say whether it answers a later question too, but for the time that has passed."""
        same_journal = journal == self.journal or not question.cures
        return same_journal and replace(question, at=self.question.at) == self.question


class WatchFeed:
    """Looks at everything at once; a store that is away is told as trouble, and tried again next time.

    Not for several threads at a time. `begin_look` finds what takes arrays (`closer_look`); `looked` is what
    somebody found with it just before. What is only to be looked up anew is not waited for.
    """

    def __init__(
        self,
        shed: WatchedShed,
        clock: Clock,
        begin_look: BeginLook = LookHere,
        looked: Looked | None = None,
    ) -> None:
        self.shed = shed
        self.clock = clock
        self._begin_look = begin_look
        self._under_way: tuple[Question, tuple[float, ...], UnderWay] | None = None
        self.looked = looked
        self._looked_s = time.monotonic()
        self._sensors = {sensor.name: sensor for sensor in shed.sensors}
        self._newest: NewestRows | None = None
        self._outlooks: OutlookBook | None = None
        self._outlook: Outlook | None = None

    def look(self, bay: str = "") -> Sight:
        """Return what is known now; `bay` is the one to draw, the first if there is none so called."""
        sight = Sight(self.clock.now(), self.shed.name)
        try:
            return self._look(sight, bay)
        except LaydayError as error:
            self.close()
            return replace(sight, trouble=str(error))

    def close(self) -> None:
        """Close the files; the next look opens them again."""
        if self._under_way is not None:
            self._under_way[-1].stop()
            self._under_way = None
        for file in (self._newest, self._outlooks):
            if file is not None:
                with suppress(LaydayError):
                    file.close()
        self._newest = self._outlooks = None

    def _look(self, sight: Sight, bay: str) -> Sight:
        at = sight.at
        self._newest = self._newest or self.shed.open_newest()
        heard = heard_last(self._newest, self._sensors, at)
        outlook = self._read_outlook()
        cures = self._told_cures(outlook, at)
        answer = self._closer(Question(at, tuple(heard.bays), heard.odd, cures is None))
        drawn = bay if bay in heard.bays else next(iter(heard.bays), "")
        return replace(
            sight,
            now=judge_shed(sight.shed, _with_known(heard, answer), self._sensors, self.shed.limits),
            outlook=outlook,
            cures=answer.cures if cures is None else cures,
            bay=drawn,
            past=next((past.courses for past in answer.pasts if past.bay == drawn), ()),
            trouble=answer.trouble,
        )

    def _told_cures(self, outlook: Outlook | None, at: datetime) -> tuple[CureOutlook, ...] | None:
        """Return the live cures as the outlook has them; None where the journal says something newer."""
        journal = open_journal(Path(self.shed.journal_file), read_only=True)
        if journal is None:
            return ()
        with closing(journal):
            book = journal.book()
        live = [cure.key for cure in book.live if cure.laid_at <= at]
        if not live:
            return ()
        if outlook is None or outlook.is_stale(at):
            return None
        if any(entry.entered_at > outlook.issued_at for entry in book.entries[-_NEWEST:]):
            return None
        known = {cure.key: cure for cure in outlook.cures}
        return tuple(known[key] for key in live) if all(key in known for key in live) else None

    def _closer(self, question: Question) -> Answer:
        """Look closer where the last look no longer answers, or is old; trouble with that is told.

        A slow disk may take a minute over it: an old answer that still fits stands until there is another.
        """
        journal = _mark(Path(self.shed.journal_file))
        while True:
            fits = self.looked is not None and self.looked.still_answers(question, journal)
            if self._under_way is None:
                if fits and not self._is_old(question.at):
                    break
                self._under_way = question, journal, self._begin_look(self.shed, question)
            if not self._has_finished(_SOON_S if fits else PATIENCE_S):
                break
        return Answer() if self.looked is None else self.looked.answer

    def _is_old(self, at: datetime) -> bool:
        age = timedelta(0) if self.looked is None else abs(at - self.looked.question.at)
        return age >= CLOSER_EVERY and time.monotonic() - self._looked_s >= CLOSER_LEAST_S

    def _has_finished(self, wait_s: float) -> bool:
        """Take the answer that is under way; say whether it has come in this time."""
        if self._under_way is None:
            return True
        question, journal, look = self._under_way
        try:
            answer = look.answer(wait_s)
        except LaydayError as error:
            answer = Answer(trouble=str(error))
        if answer is None:
            return False
        self._under_way = None
        self.looked = Looked(question, journal, answer)
        self._looked_s = time.monotonic()
        return True

    def _read_outlook(self) -> Outlook | None:
        """Return the newest outlook, read only when there is another."""
        self._outlooks = self._outlooks or open_outlooks(Path(self.shed.outlook_file), read_only=True)
        if self._outlooks is None:
            return None
        if self._outlooks.newest_at() != (self._outlook and self._outlook.issued_at):
            self._outlook = self._outlooks.newest()
        return self._outlook


def _with_known(heard: Heard, answer: Answer) -> Heard:
    """Add what a closer look found to the newest rows."""
    found, suspect_s = dict(heard.latest), {}
    for known in answer.known:
        newest = found.setdefault(known.sensor, known.reading)
        if newest.at < known.at:
            newest = found[known.sensor] = known.reading
        if newest.flags and known.suspect_since is not None:
            suspect_s[known.sensor] = (newest.at - known.suspect_since).total_seconds()
    return replace(heard, latest=found, suspect_s=suspect_s)


def _mark(path: Path) -> tuple[float, ...]:
    """Return what changes when somebody writes to the journal."""
    marks: list[float] = []
    for file in (path, path.with_name(f"{path.name}-wal")):
        with suppress(OSError):
            stat = file.stat()
            marks += [stat.st_mtime, stat.st_size]
    return tuple(marks)
