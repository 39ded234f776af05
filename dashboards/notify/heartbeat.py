"""Signs of life: a word in the evening, one in the morning, and what is told if layday falls silent."""

import logging
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta, tzinfo

from collector.clock import Clock
from dashboards.ahead_view import TRACK_WORDS, ready_words
from dashboards.notify.causes import OF_A_CURES_FATE
from dashboards.notify.courier import Letterhead
from dashboards.notify.message import Message, Weight, sleep_words
from dashboards.notify.sayings import saying
from dashboards.notify.sender import Outcome, Outgoing
from dashboards.notify.senders.http import PushSender
from dashboards.notify.watch import Watch
from forecast.cure_outlook import CureOutlook
from forecast.outlook import Outlook
from forecast.verdict import Verdict

GOOD_FOR = timedelta(hours=2)
"""A word that could not be given in two hours is no sign of life any more."""
NO_WORD = "no-word"
_LOOK_S = 5.0
_AGAIN_S = 60.0

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Hours:
    """When word is given, by the clock of a zone; None for never. `quiet` says that there are quiet hours."""

    evening: time | None
    morning: time | None
    zone: tzinfo
    quiet: bool = False


def words_due(
    outlook: Outlook, watch: Watch, at: datetime, hours: Hours, letterhead: Letterhead
) -> tuple[Message, ...]:
    """Return the word that is due at a moment, if a cure is live; its key makes it one a day."""
    if not outlook.cures or outlook.is_stale(at):
        return ()
    local = at.astimezone(hours.zone)
    found = []
    for name, clock in (("evening", hours.evening), ("morning", hours.morning)):
        if clock is None:
            continue
        began = datetime.combine(local.date(), clock, hours.zone)
        if began <= local < began + GOOD_FOR:
            key = f"{name}-{local:%Y-%m-%d}"
            known = _known_lines(watch, at, letterhead) if name == "evening" and hours.quiet else []
            head, text = _word(name, outlook, watch, at, letterhead, known)
            found.append(Message(key, "word", head, text, Weight.USUAL, at, at + GOOD_FOR))
    return tuple(found)


def _known_lines(watch: Watch, at: datetime, letterhead: Letterhead) -> list[str]:
    """Return what people know of before they go to bed, so that nobody is woken for it."""
    known = tuple(one for one in watch.live if one.spot.cause in OF_A_CURES_FATE and one.told_at is not None)
    if not known:
        return []
    heads = [f"{saying(alarm, letterhead.reader, at).head}." for alarm in known]
    return [*heads, sleep_words(known, letterhead.reader, at)]


def _word(
    name: str, outlook: Outlook, watch: Watch, at: datetime, letterhead: Letterhead, known: Sequence[str]
) -> tuple[str, str]:
    standing = watch.live
    lines = [_cure_line(cure, at, letterhead) for cure in outlook.cures]
    if name == "evening":
        well = not standing and all(cure.verdict is Verdict.GO for cure in outlook.cures)
        head = "all is well, the watch is on" if well else "the watch is on"
        lines.insert(0, "You will be told if somebody must go out.")
    else:
        head = "how the night went"
        woken = [moment for moment in watch.woken if at - moment < timedelta(hours=14)]
        lines.insert(0, f"Wake-ups tonight: {len(woken)}.")
    if standing:
        lines.append(f"Standing: {'; '.join(alarm.spot.words for alarm in standing)}.")
    shed = letterhead.shed
    return f"{shed}: {head}", "\n".join([*lines, *known, "", "layday advises; it switches nothing."])


def _cure_line(cure: CureOutlook, at: datetime, letterhead: Letterhead) -> str:
    reader = letterhead.reader
    stage = "wet" if cure.state is None or cure.state.stage is None else cure.state.stage.value
    line = f"{cure.part} ({cure.bay}): {TRACK_WORDS[cure.verdict]}; now {stage}"
    if cure.ready is not None:
        line += f"; {ready_words(cure.ready, at, reader)}"
    if cure.coldest is not None:
        likely, when = reader.temperature(cure.coldest.likely_c), reader.clock(cure.coldest.at, at)
        line += f"; coldest about {likely} at {when}"
    return f"{line}."


class SilenceGuard:
    """Has push servers hold back a message "no word since …", and puts it off as long as layday lives.

    Where layday dies, or its power or network with it, nobody puts it off, and it is told. It works in a
    thread of its own, since a server may hang. `is_on` is asked each time whether a cure is live.
    """

    def __init__(
        self, senders: Sequence[PushSender], clock: Clock, letterhead: Letterhead, no_word: timedelta
    ) -> None:
        self._senders = senders
        self._clock = clock
        self._letterhead = letterhead
        self._no_word = no_word
        self._wanted = threading.Event()
        self._stopping = threading.Event()
        self._armed_at: datetime | None = None
        self._unsure = True  # a layday that was killed may have left one behind
        self._thread = threading.Thread(target=self._run, name="silence", daemon=True)

    def start(self) -> None:
        """Begin, if there is a server that can hold a message back."""
        if self._senders:
            self._thread.start()

    def want(self, *, on: bool) -> None:
        """Say whether silence is to be told of: while a cure is live and layday's answers are fresh."""
        if on:
            self._wanted.set()
        else:
            self._wanted.clear()

    def stop(self) -> None:
        """Take it back: layday stops as planned."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(_LOOK_S)
            if self._armed_at is not None:
                self.disarm()

    def _run(self) -> None:
        wait_s = 0.0
        while not self._stopping.wait(wait_s):
            wait_s = _LOOK_S if self.once() else _AGAIN_S

    def once(self) -> bool:
        """Put it off, or take it back, if that is due; say whether all went well."""
        now = self._clock.now()
        if self._wanted.is_set():
            fresh = self._armed_at is not None and now - self._armed_at < self._no_word / 4
            return fresh or self.arm(now)
        return True if self._armed_at is None and not self._unsure else self.disarm()

    def arm(self, now: datetime) -> bool:
        """Have it told after the time without a word from `now` on; say whether a server took it."""
        since = self._letterhead.reader.clock(now, now)
        outgoing = Outgoing(
            key=NO_WORD,
            thread=NO_WORD,
            shed=self._letterhead.shed,
            head=f"{self._letterhead.shed}: no word since {since}",
            text=f"layday has not been heard of since {since}, with a cure live. Power, network or layday "
            "itself may be away.\nWhat to do: look at heater and part yourself; then at the computer.\n"
            "How sure: only the silence is certain; the cure may be well.",
            weight=Weight.URGENT,
            at=now,
        )
        answers = [one.schedule(outgoing, now + self._no_word) for one in self._senders]
        went = any(answer.outcome is Outcome.SENT for answer in answers)
        if went:
            self._armed_at, self._unsure = now, False
        else:
            _log.warning("no server holds back word of a silence: %s", answers[0].words)
        return went

    def disarm(self) -> bool:
        """Take it back; say whether every server did."""
        answers = [one.cancel(NO_WORD, self._letterhead.shed) for one in self._senders]
        # a server that knows of none has none to tell
        gone = all(answer.outcome is not Outcome.LATER for answer in answers)
        if gone:
            self._armed_at, self._unsure = None, False
        return gone
