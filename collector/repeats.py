"""Which message has come before: a redelivery gets the receive time of its first coming.

A reading without a device time is keyed by its receive time, so a redelivery would be a
second reading. MQTT marks redeliveries (DUP = 1) and repeats their packet id, but the mark alone
says only that the sender has *tried* before, not that the message arrived: dropping what is
marked loses whatever was lost on the way. So each such message is remembered, by a digest
of sender, packet id, topic and payload; only a marked one that is remembered is a repeat,
and it is not dropped but given its first receive time. The store's key does the rest, whatever
became of the first coming. What is remembered is committed with the readings, so it outlives kill -9.
"""

import time
from collections import deque
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from hashlib import blake2b

from collector.source import Message
from collector.store.base import Mark
from collector.store.limits import KEPT_MARKS


class Repeats:
    """The messages without a device time of the last `window_s` seconds.

    Time is counted while layday runs, not by the clock: a broker redelivers when one is back,
    however long that took.

    Parameters
    ----------
    window_s
        For how long a message is remembered [s]; 0 remembers none.
    kept
        What the store remembers of the last run.
    elapsed_s
        Seconds that only ever rise.
    """

    def __init__(
        self,
        window_s: float,
        kept: Sequence[Mark] = (),
        elapsed_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._window_s = window_s
        self._elapsed_s = elapsed_s
        self._first: dict[int, datetime] = {}
        self._ages: deque[tuple[float, Mark]] = deque()
        newest = max((mark.received_at for mark in kept), default=None)
        for mark in kept:
            if newest is not None and newest - mark.received_at <= timedelta(seconds=window_s):
                self._remember(mark, elapsed_s())

    def original(self, message: Message) -> Message:
        """Return a redelivery with its first receive time; any other message as it is."""
        if not (message.duplicate and message.packet_id):
            return message
        self._forget(self._elapsed_s())
        first_at = self._first.get(_digest(message))
        return message if first_at is None else message._replace(received_at=first_at)

    def mark(self, message: Message) -> Mark | None:
        """Remember a message that has no device time; return what to keep with its readings, if anything."""
        if not message.packet_id or not self._window_s:
            return None
        mark = Mark(_digest(message), message.received_at)
        if self._first.get(mark.digest) == mark.received_at:
            return None
        now_s = self._elapsed_s()
        self._forget(now_s)
        self._remember(mark, now_s)
        return mark

    def _remember(self, mark: Mark, now_s: float) -> None:
        self._first[mark.digest] = mark.received_at
        self._ages.append((now_s, mark))

    def _forget(self, now_s: float) -> None:
        """Let go what is too old or too much."""
        ages, oldest_s = self._ages, now_s - self._window_s
        while ages and (ages[0][0] < oldest_s or len(ages) > KEPT_MARKS):
            _, mark = ages.popleft()
            if self._first.get(mark.digest) == mark.received_at:
                del self._first[mark.digest]


def _digest(message: Message) -> int:
    """Return 63 bits that are the same in every process, as Python's own hashes are not."""
    head = f"{message.sender}\0{message.packet_id}\0{message.topic}\0".encode("utf-8", "surrogatepass")
    return int.from_bytes(blake2b(head + message.payload, digest_size=8).digest(), "big") >> 1
