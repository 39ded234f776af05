"""The forwarder: live readings first, then what waits, and never a step before the far end has said yes."""

import json
import logging
import threading
import time
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, timedelta
from random import Random
from typing import Protocol

from collector.clock import Clock, from_us, to_us
from collector.errors import StoreError
from collector.forward.lines import number_line, reading_lines, text_lines
from collector.forward.sender import Refusal, UnavailableError
from collector.forward.spool import Job, Spool
from collector.store.texts import pack_text

STATE_KEY = "forward"
SHED = "layday_shed"
_TEXTS_KEY = "forward.texts"
_PIECE = 10_000
EVERY_S = 10.0
_PACED_S = 0.1
_SETTLE_EVERY_S = 5.0
_WORD_EVERY_S = 5.0
_FIRST_WAIT_S = 0.5
_LAST_WAIT_S = 60.0
_SETTLE = timedelta(seconds=60)

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Note:
    """Something to be told beside readings: a text under a key, and numbers of the shed by field."""

    key: str
    text: str
    numbers: Mapping[str, float] = field(default_factory=dict)


Notes = Callable[[], Sequence[Note]]
"""Returns what there is to tell now; it is sent where it has changed."""


class Sending(Protocol):
    """What takes lines: a `Sender`; in a test, one that counts."""

    def send(self, lines: Sequence[str]) -> list[Refusal]:
        """Send lines; return those refused for good."""
        ...

    def close(self) -> None:
        """Close the connection."""
        ...


@dataclass(frozen=True, slots=True)
class ForwardStatus:
    """How forwarding goes. `trouble` is empty while the far end takes everything."""

    address: str
    sent_count: int = 0
    refused_count: int = 0
    last_sent_at: datetime | None = None
    trouble: str = ""
    trouble_since: datetime | None = None
    replays: int = 0


class Forwarder:
    """Copies a store's readings, and notes, to a central store, at least once each.

    Parameters
    ----------
    spool, sender, clock
        The shed's store, the far end, and the time.
    shed
        The shed's id.
    address
        The far end, in words.
    notes
        What else there is to tell.
    max_per_s
        The most readings a second for what waits [1/s]; 0 for no limit. Live ones never wait.
    server_run
        Asks which run of itself the far end is, where it says yes before what it took is safe;
        what it took lately is then copied again after its restart.
    every_s
        How often to look for readings and notes [s]; each time costs a request.
    """

    def __init__(  # noqa: PLR0913  each a collaborator
        self,
        spool: Spool,
        sender: Sending,
        clock: Clock,
        *,
        shed: str,
        address: str,
        notes: Notes = lambda: (),
        max_per_s: float = 0.0,
        server_run: Callable[[], str] | None = None,
        every_s: float = EVERY_S,
    ) -> None:
        self._spool = spool
        self._sender = sender
        self._clock = clock
        self._shed = shed
        self._notes = notes
        self._max_per_s = max_per_s
        self._every_s = every_s
        self._server_run = server_run
        self._status = ForwardStatus(address)
        self._random = Random()  # noqa: S311  spreads retries, guards nothing
        self._wait_s = _FIRST_WAIT_S
        self._next_notes_s = self._next_word_s = self._next_settle_s = float("-inf")
        self._free_s = float("-inf")

    @property
    def status(self) -> ForwardStatus:
        """How it goes."""
        return self._status

    def run(self, stopping: threading.Event) -> None:
        """Copy until told to stop; trouble is waited out, longer and longer up to a minute."""
        while not stopping.is_set():
            try:
                wait_s = 0.0 if self.step() else self._idle_s()
            except (UnavailableError, StoreError) as error:
                wait_s = self._note_trouble(error)
            self._leave_word()
            stopping.wait(wait_s)
        self._leave_word(now=True)

    def _idle_s(self) -> float:
        """Return how long to rest: less while what waits only waits for its turn."""
        return _PACED_S if time.monotonic() < self._free_s else self._every_s

    def step(self) -> bool:
        """Copy what is live, then a piece of what waits; return whether there is more.

        Raises
        ------
        UnavailableError
            If the far end takes nothing; everything is kept.
        StoreError
            If the shed's own store cannot be read or written.
        """
        for live in self._spool.claim():
            self._finish(live)
        self._send_notes()
        self._settle()
        now_s = time.monotonic()
        if now_s < self._free_s:
            return False  # the pace allowed; live ones go on meanwhile
        job = self._spool.oldest_job()
        if job is None:
            return False
        _, count = self._copy_piece(job)
        if self._max_per_s:
            self._free_s = max(self._free_s, now_s) + count / self._max_per_s
        return True

    def _finish(self, job: Job) -> None:
        left: Job | None = job
        while left is not None:
            left, _ = self._copy_piece(left)

    def _copy_piece(self, job: Job) -> tuple[Job | None, int]:
        piece = self._spool.take(job, _PIECE)
        self._send(reading_lines(self._shed, piece.values))
        done_us = to_us(self._clock.now()) if self._server_run else None
        self._spool.advance(job, piece.left, done_us)
        return piece.left, piece.size

    def _send(self, lines: Sequence[str]) -> None:
        if not lines:
            return
        refused = self._sender.send(lines)
        now = self._clock.now()
        if refused:
            self._spool.bury(refused, to_us(now))
            _log.error("%d lines are refused for good, as %r", len(refused), refused[0].reason)
        if self._status.trouble:
            _log.warning("%s takes readings again", self._status.address)
        self._wait_s = _FIRST_WAIT_S
        self._status = replace(
            self._status,
            sent_count=self._status.sent_count + len(lines) - len(refused),
            refused_count=self._status.refused_count + len(refused),
            last_sent_at=now,
            trouble="",
            trouble_since=None,
        )

    def _send_notes(self) -> None:
        """Send each note that differs from what was sent under its key; never into the last one's words."""
        if time.monotonic() < self._next_notes_s:
            return
        sent: dict[str, list[int]] = json.loads(self._spool.read_state(_TEXTS_KEY) or "{}")
        for note in self._notes():
            mark = zlib.crc32(repr((note.text, sorted(note.numbers.items()))).encode())
            last_mark, free_us = sent.get(note.key, (None, 0))
            if mark == last_mark:
                continue
            at_us = max(to_us(self._clock.now()), free_us)
            text = pack_text(note.text)
            lines = text_lines(self._shed, note.key, text, at_us)
            if note.numbers:
                lines.append(number_line(SHED, {"shed": self._shed}, note.numbers, at_us))
            self._send(lines)
            sent[note.key] = [mark, at_us + text.span_us]
            self._spool.write_state(_TEXTS_KEY, json.dumps(sent), to_us(self._clock.now()))
        self._next_notes_s = time.monotonic() + self._every_s

    def _settle(self) -> None:
        """Cross off what the far end must have on disk by now, unless it was started anew since."""
        if self._server_run is None or time.monotonic() < self._next_settle_s:
            return
        again = self._spool.settle(self._server_run(), to_us(self._clock.now() - _SETTLE))
        if again:
            _log.warning("%s was started anew: %d stretches are copied again", self._status.address, again)
            self._spool.write_state(_TEXTS_KEY, "{}", to_us(self._clock.now()))
            self._status = replace(self._status, replays=self._status.replays + 1)
        self._next_settle_s = time.monotonic() + _SETTLE_EVERY_S

    def _note_trouble(self, error: UnavailableError | StoreError) -> float:
        """Remember why nothing goes; return how long to wait, at random: sheds must not return as one."""
        now = self._clock.now()
        if self._status.trouble != str(error):
            _log.warning("nothing is forwarded, everything is kept: %s", error)
        since = self._status.trouble_since or now
        self._status = replace(self._status, trouble=str(error), trouble_since=since)
        self._next_settle_s = float("-inf")
        wait_s = self._random.uniform(0.5, 1.0) * self._wait_s
        self._wait_s = min(2 * self._wait_s, _LAST_WAIT_S)
        return max(wait_s, error.wait_s if isinstance(error, UnavailableError) else 0.0)

    def _leave_word(self, *, now: bool = False) -> None:
        """Leave word in the store for `layday forward status`."""
        if not now and time.monotonic() < self._next_word_s:
            return
        self._next_word_s = time.monotonic() + _WORD_EVERY_S
        text = json.dumps({"schema": "layday/forward/1", **asdict(self._status)}, default=_plain)
        try:
            self._spool.write_state(STATE_KEY, text, to_us(self._clock.now()))
        except StoreError as error:
            _log.warning("cannot leave word in the store: %s", error)


def _plain(value: object) -> str:
    if isinstance(value, datetime):
        return from_us(to_us(value)).isoformat()
    raise TypeError(type(value).__name__)
