"""A thread that takes one person's messages to them: one way after the other, until one has taken it."""

import logging
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random, SystemRandom

from collector.clock import Clock
from collector.errors import LaydayError
from dashboards.notify.message import Weight
from dashboards.notify.outbox import Delivery, Outbox, State
from dashboards.notify.sender import Answer, Outcome, Outgoing, Sender
from dashboards.view import Reader

FIRST_WAIT_S, LONGEST_WAIT_S = 15.0, 600.0
URGENT_WAIT_S = 60.0
"""What is urgent is tried at least this often."""
LOOK_EVERY_S = 1.0

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Letterhead:
    """The shed that messages come from, and whom their words are for."""

    shed: str
    reader: Reader


class Courier:
    """Delivers to one person (0 is the first) over `ways`, named senders in order."""

    def __init__(
        self,
        outbox: Outbox,
        person: int,
        ways: Sequence[tuple[str, Sender]],
        clock: Clock,
        letterhead: Letterhead,
        random: Random | None = None,
    ) -> None:
        self._outbox = outbox
        self._person = person
        self._senders = dict(ways)
        self._channels = [name for name, _ in ways]
        self._clock = clock
        self._letterhead = letterhead
        self._random = random or SystemRandom()
        self._used_s: dict[str, float] = {}
        self._refused: dict[int, set[str]] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"courier {person}", daemon=True)

    def start(self) -> None:
        """Begin, with what the last courier was at."""
        self._outbox.restart(self._person)
        self._thread.start()

    def stop(self, wait_s: float = 1.0) -> None:
        """End after the attempt that is under way, if that ends in time."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(wait_s)

    def is_alive(self) -> bool:
        """Say whether it works."""
        return self._thread.is_alive()

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_EVERY_S):
            try:
                while not self._stopping.is_set() and self.once():
                    pass
            except LaydayError as error:
                _log.warning("messages wait: %s", error)
            except Exception:  # noqa: BLE001  a courier that dies tells nobody anything
                _log.exception("a courier stumbled")

    def once(self) -> bool:
        """Deliver one message if one is due; say whether there was one."""
        at = self._clock.now()
        if not self._outbox.is_due(self._person, at):
            return False
        delivery = self._outbox.due(self._person, at)
        if delivery is None:
            return False
        self._deliver(delivery)
        return True

    def _deliver(self, delivery: Delivery) -> None:
        refused = self._refused.setdefault(delivery.number, set())
        said = "no channel is configured"
        for name in self._channels:
            if name in refused:
                continue
            answer = self._attempt(name, delivery)
            said = f"{name}: {answer.words}"
            if answer.outcome is Outcome.SENT:
                self._end(delivery, State.SENT, name, answer.words)
                return
            _log.warning("message %s not sent: %s", delivery.message.key, said)
            if answer.outcome is Outcome.REFUSED:
                refused.add(name)
        if all(name in refused for name in self._channels):
            self._end(delivery, State.REFUSED, "", said)
            return
        self._outbox.later(delivery, said, self._clock.now(), self._wait_s(delivery))

    def _attempt(self, name: str, delivery: Delivery) -> Answer:
        sender, message = self._senders[name], delivery.message
        self._keep_gap(name, sender)
        at = self._clock.now()
        outgoing = Outgoing(
            key=message.key,
            thread=message.thread,
            shed=self._letterhead.shed,
            head=message.head,
            text=message.text_at(at, self._letterhead.reader),
            weight=message.weight,
            at=at,
            picture_svg=message.picture_svg if sender.limits.pictures else "",
        )
        try:
            return sender.send(outgoing)
        except Exception as error:  # noqa: BLE001  the next channel must still be tried
            _log.exception("channel %s stumbled", name)
            return Answer(Outcome.LATER, type(error).__name__)
        finally:
            self._used_s[name] = time.monotonic()

    def _keep_gap(self, name: str, sender: Sender) -> None:
        used_s = self._used_s.get(name)
        if used_s is not None:
            self._stopping.wait(max(0.0, used_s + sender.limits.gap_s - time.monotonic()))

    def _end(self, delivery: Delivery, state: State, channel: str, said: str) -> None:
        self._refused.pop(delivery.number, None)
        self._outbox.done(delivery, state, channel, said, self._clock.now())

    def _wait_s(self, delivery: Delivery) -> float:
        """Return how long to wait: twice as long each time, with jitter, lest sheds march in step."""
        longest = URGENT_WAIT_S if delivery.message.weight is Weight.URGENT else LONGEST_WAIT_S
        wait_s = min(FIRST_WAIT_S * 2.0 ** min(delivery.tries, 10), longest)
        return wait_s * self._random.uniform(0.5, 1.0)
