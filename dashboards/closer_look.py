"""What the live screen has looked up now and then, in a process that ends: all that takes arrays or cards.

A screen stays open for weeks on a small computer. What it needs every few seconds it reads itself
(`watch_feed`); two days of readings for the chart, sensors silent for hours, and cures that were entered
since the last outlook take numpy, scipy and the configuration, and are needed every few minutes.
"""

import json
import subprocess
import sys
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

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
_PATIENCE_S = 60.0
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


def look_in_a_process(shed: WatchedShed, question: Question) -> Answer:
    """Have it looked up by a process of its own, which ends when it is done.

    Raises
    ------
    StoreError
        If it cannot; it says why.
    """
    room = str(Path(__file__).parent.parent)
    try:
        done = subprocess.run(  # noqa: S603  our own interpreter and code
            # -P: what lies in the folder one happens to be in is not to be loaded
            [sys.executable, "-P", "-c", _CODE, room],
            input=json.dumps([plain(shed), plain(question)]).encode(),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            check=True,
            timeout=_PATIENCE_S,
        )
        answer = made(Answer, json.loads(done.stdout))
    except subprocess.TimeoutExpired as error:
        raise StoreError(
            f"looking up the readings of the last days took longer than {_PATIENCE_S:g} s; is the disk well?"
        ) from error
    except (OSError, subprocess.SubprocessError, ValueError) as error:
        raise StoreError(
            "the readings of the last days could not be looked up; 'layday check' may say why"
        ) from error
    if answer.trouble:
        raise StoreError(answer.trouble)
    return answer


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
