"""What the live screen has looked up now and then, in a process that ends: all that takes arrays or cards.

A screen stays open for weeks on a small computer. What it needs every few seconds it reads itself
(`watch_feed`); two days of readings for the chart, sensors silent for hours, and cures that were entered
since the last outlook take numpy, scipy and the configuration, and are needed every few minutes.
"""

import json
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from collector.clock import ManualClock
from collector.domain import Flag, Reading
from collector.errors import LaydayError, StoreError
from collector.plain import made, plain
from collector.quality.heard import newest_heard, suspect_s
from dashboards.watched_shed import WatchedShed
from forecast.cure_outlook import CureOutlook
from forecast.recent_course import Recent
from forecast.shed_now import LOOK_BACK

if TYPE_CHECKING:
    from collector.store.base import Store

_PAST = timedelta(hours=48)
_NEW = timedelta(minutes=2)
PATIENCE_S = 60.0
"""A look that takes longer will not come to an end: the disk is ill."""
_CODE = "import sys; sys.path.insert(0, sys.argv.pop(1)); from dashboards.closer_look import main; main()"


@dataclass(frozen=True, slots=True)
class Question:
    """What to look up for a moment: besides every bay's courses some sensors, and perhaps the live cures."""

    at: datetime
    bays: tuple[str, ...]
    sensors: tuple[str, ...]
    cures: bool


@dataclass(frozen=True, slots=True)
class Known:
    """A sensor's newest reading, and since when it has been suspect; None where it is not."""

    sensor: str
    at: datetime
    value: float
    received_at: datetime
    flags: int
    suspect_since: datetime | None

    @property
    def reading(self) -> Reading:
        """The reading."""
        return Reading(self.sensor, self.at, self.value, self.received_at, Flag(self.flags))


@dataclass(frozen=True, slots=True)
class Past:
    """What was measured in a bay of late."""

    bay: str
    courses: tuple[Recent, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """What was found; `trouble` says in words why nothing was."""

    pasts: tuple[Past, ...] = ()
    known: tuple[Known, ...] = ()
    cures: tuple[CureOutlook, ...] = ()
    trouble: str = ""


def closer_look(shed: WatchedShed, question: Question) -> Answer:
    """Look it up here.

    Raises
    ------
    StoreError, ConfigError
        If the store, the journal or the configuration cannot be read.
    """
    from forecast.recent import recent

    at = question.at
    with closing(shed.open_store()) as store:
        pasts = [Past(bay, recent(store, bay, at - _PAST, at + _NEW)) for bay in question.bays]
        known = _known(store, question) if question.sensors else ()
    return Answer(tuple(pasts), known, _cures(shed, at) if question.cures else ())


class UnderWay(Protocol):
    """A closer look that has begun."""

    def answer(self, wait_s: float) -> Answer | None:
        """Return what was found, None if that takes longer; ask again then.

        Raises
        ------
        StoreError, ConfigError
            If it cannot be found; they say why.
        """

    def stop(self) -> None:
        """Give it up."""


class LookHere:
    """A closer look in this process: it is done when it is asked for."""

    def __init__(self, shed: WatchedShed, question: Question) -> None:
        self._shed, self._question = shed, question

    def answer(self, wait_s: float) -> Answer:  # noqa: ARG002  it is never waited for
        """Look it up now."""
        return closer_look(self._shed, self._question)

    def stop(self) -> None:
        """Nothing runs."""


class LookInAProcess:
    """A closer look by a process of its own, which ends when it is done."""

    def __init__(self, shed: WatchedShed, question: Question) -> None:
        self._unsaid: bytes | None = json.dumps([plain(shed), plain(question)]).encode()
        self._began_s = time.monotonic()
        self._process: subprocess.Popen[bytes] | None = None

    def answer(self, wait_s: float) -> Answer | None:
        """Return the answer, None if it takes longer than `wait_s`.

        Raises
        ------
        StoreError
            If there is none, or none within a minute; it says why.
        """
        try:
            found = self._said(wait_s)
            answer = None if found is None else made(Answer, json.loads(found))
        except (OSError, subprocess.SubprocessError, ValueError) as error:
            raise StoreError(
                "the readings of the last days could not be looked up; 'layday check' may say why"
            ) from error
        if answer is None and time.monotonic() - self._began_s >= PATIENCE_S:
            self.stop()
            raise StoreError(
                f"looking up the readings of the last days took longer than {PATIENCE_S:g} s; "
                "is the disk well?"
            )
        if answer is not None and answer.trouble:
            raise StoreError(answer.trouble)
        return answer

    def _said(self, wait_s: float) -> bytes | None:
        """Return all that the process wrote, None while it runs."""
        if self._process is None:
            room = str(Path(__file__).parent.parent)
            self._process = subprocess.Popen(  # noqa: S603  our own interpreter and code
                # -P: what lies in the folder one happens to be in is not to be loaded
                [sys.executable, "-P", "-c", _CODE, room],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
        asked, self._unsaid = self._unsaid, None  # it is said once, whatever it takes
        try:
            said, _ = self._process.communicate(asked, timeout=wait_s)
        except subprocess.TimeoutExpired:
            return None
        if self._process.returncode != 0:
            raise subprocess.SubprocessError(f"it ended with {self._process.returncode}")
        return said

    def stop(self) -> None:
        """End the process, if it still runs."""
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.communicate()


def main() -> None:
    """Read shed and question from standard input, and write the answer to standard output."""
    shed, question = json.loads(sys.stdin.buffer.read())
    try:
        answer = closer_look(made(WatchedShed, shed), made(Question, question))
    except LaydayError as error:
        answer = Answer(trouble=str(error))
    sys.stdout.write(json.dumps(plain(answer)))


def _known(store: "Store", question: Question) -> tuple[Known, ...]:
    latest = newest_heard(store, question.at, LOOK_BACK)
    found = [latest[name] for name in question.sensors if name in latest]
    return tuple(
        Known(
            reading.sensor,
            reading.at,
            reading.value,
            reading.received_at,
            int(reading.flags),
            reading.at - timedelta(seconds=suspect_s(store, reading)) if reading.flags else None,
        )
        for reading in found
    )


def _cures(shed: WatchedShed, at: datetime) -> tuple[CureOutlook, ...]:
    """Work out the live cures; what an outlook says of those that nothing was entered for is taken."""
    from dashboards.cures import cures_now, read_book
    from dashboards.outlooks import kept_outlook

    session = shed.session(ManualClock(at))
    return cures_now(session, read_book(session), kept_outlook(session, at), at)[0]
