"""Readings from any source: decode, batch, commit, and only then acknowledge.

Sources put messages into one queue; one thread empties it. While the store cannot take a
batch (disk full, locked), the batch is kept and tried again, nothing is acknowledged, and
`has_room` turns False so that the sources stop reading: the senders keep what is theirs.

A commit writes some 8 kB to the card whatever it holds. So where little comes in, a message waits for
others until `commit_every_s` after the commit before; at once are committed a first message after a rest,
many together, and what a sender sends as soon as its last messages are acknowledged, for it waits.
"""

import logging
import threading
import time
from collections import Counter, defaultdict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import NamedTuple, TypeVar

from collector.clock import Clock
from collector.domain import Reading, Rejected
from collector.payload import Routes, decode, reject
from collector.quality import Judge
from collector.repeats import Repeats
from collector.source import Message, Sink, Source
from collector.store.base import Mark, State, Store

BIRTHS_KEY = "sparkplug births"
BATCH_MESSAGES = 2000
BATCH_WAIT_S = 0.1
COMMIT_EVERY_S = 2.0
_IDLE_WAIT_S = 0.005
_MANY_MESSAGES = 32  # then few bytes are written for each
_ROOMY_MESSAGES = 500  # in one commit: where so many come, many come again
_AT_ONCE_S = 0.2  # radio and a slow board included
_ROOM_MESSAGES = 20_000
_ROOM_BYTES = 64_000_000
_RETRY_FIRST_S = 0.2
_RETRY_LAST_S = 5.0

T = TypeVar("T")
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class IntakeStatus:
    """What intake has done since it started. `trouble` is empty while the store takes batches."""

    received_count: int = 0
    kept_count: int = 0
    repeated_count: int = 0
    conflicting_count: int = 0
    rejected_count: int = 0
    waiting_count: int = 0
    last_commit_at: datetime | None = None
    trouble: str = ""


class Delivery(NamedTuple):
    """Messages as a source handed them over."""

    source: Source
    items: Sequence[Message | Rejected]
    size_bytes: int


class _SourceSink:
    """One source's end of the queue."""

    def __init__(self, intake: "Intake", source: Source) -> None:
        self._intake = intake
        self._source = source

    def messages(self, batch: Sequence[Message]) -> None:
        """Queue messages."""
        self._intake._put(self._source, batch)  # noqa: SLF001  the two halves of one queue

    def rejected(self, item: Rejected) -> None:
        """Queue the record of something that is not even a message."""
        self._intake._put(self._source, (item,))  # noqa: SLF001  as above

    def has_room(self) -> bool:
        """Say whether the queue can take more."""
        return self._intake.has_room()


class Intake:
    """The one writer of readings."""

    def __init__(
        self,
        store: Store,
        routes: Routes,
        clock: Clock,
        judge: Judge | None = None,
        *,
        redelivery_window_s: float = 300.0,
        commit_every_s: float = COMMIT_EVERY_S,
    ) -> None:
        self._store = store
        self._judge = judge or Judge()
        self._repeats = Repeats(redelivery_window_s, store.marks())
        self._routes = routes
        if (births := store.read_state(BIRTHS_KEY)) is not None:
            routes.births.restore(births.text)
        self._clock = clock
        self._commit_every_s = clock.real_seconds(timedelta(seconds=commit_every_s))
        self._committed_s = float("-inf")
        self._answered: dict[str, int] = {}  # messages in the last commit, by sender
        self._queue: deque[Delivery] = deque()
        self._waiting_count = self._waiting_bytes = 0
        self._is_urgent = False
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._came = threading.Condition(self._lock)
        self._status = IntakeStatus()
        self._thread = threading.Thread(target=self._run, name="intake", daemon=True)

    def sink(self, source: Source) -> Sink:
        """Return the sink to start `source` with."""
        return _SourceSink(self, source)

    def start(self) -> None:
        """Begin to take messages, in a thread of its own."""
        self._thread.start()

    def stop(self, timeout_s: float = 1.0) -> None:
        """Commit and acknowledge what is queued, then end; the rest stays with its senders."""
        self._stopping.set()
        with self._came:
            self._came.notify()
        self._thread.join(timeout_s)

    def is_alive(self) -> bool:
        """Say whether the thread still works."""
        return self._thread.is_alive()

    def has_room(self) -> bool:
        """Say whether sources should read on; not while stopping, or a flood would hold up the end."""
        has_space = self._waiting_count < _ROOM_MESSAGES and self._waiting_bytes < _ROOM_BYTES
        return has_space and not self._stopping.is_set()

    def status(self) -> IntakeStatus:
        """Return what intake has done so far."""
        with self._lock:
            return replace(self._status, waiting_count=self._waiting_count)

    def _put(self, source: Source, items: Sequence[Message | Rejected]) -> None:
        pieces = [items[i : i + BATCH_MESSAGES] for i in range(0, len(items), BATCH_MESSAGES)]
        deliveries = [Delivery(source, piece, sum(map(_size_bytes, piece))) for piece in pieces]
        with self._came:
            is_first = not self._queue
            self._queue.extend(deliveries)
            self._waiting_count += len(items)
            self._waiting_bytes += sum(delivery.size_bytes for delivery in deliveries)
            if not self._is_urgent:
                self._is_urgent = self._waiting_count >= _MANY_MESSAGES or self._somebody_waits(items)
                if is_first or self._is_urgent:
                    self._came.notify()

    def _somebody_waits(self, items: Sequence[Message | Rejected]) -> bool:
        """Say whether as many came again as were just acknowledged: their sender may wait for more."""
        if time.monotonic() - self._committed_s > _AT_ONCE_S:
            return False
        for item in items:
            if isinstance(item, Message) and item.sender in self._answered:
                self._answered[item.sender] -= 1
                if not self._answered[item.sender]:
                    return True
        return False

    def _run(self) -> None:
        while not (self._stopping.is_set() and not self._queue):
            batch = self._collect()
            if batch:
                self._keep(batch)

    def _collect(self) -> list[Delivery]:
        """Wait for a first message, then for more until they are due, and the queue is full, old or idle."""
        with self._came:
            self._came.wait_for(lambda: self._queue or self._stopping.is_set())
            due_in_s = self._committed_s + self._commit_every_s - time.monotonic()
            self._came.wait_for(lambda: self._is_urgent or self._stopping.is_set(), max(0.0, due_in_s))
        deadline = time.monotonic() + BATCH_WAIT_S
        while self._waiting_count < BATCH_MESSAGES and not self._stopping.is_set():
            before = self._waiting_count
            time.sleep(_IDLE_WAIT_S)
            if self._waiting_count == before or time.monotonic() >= deadline:
                break
        batch: list[Delivery] = []
        count = 0
        with self._lock:
            while self._queue and count + len(self._queue[0].items) <= BATCH_MESSAGES:
                batch.append(self._queue.popleft())
                count += len(batch[-1].items)
                self._waiting_bytes -= batch[-1].size_bytes
            self._waiting_count -= count
            self._is_urgent = self._waiting_count >= _MANY_MESSAGES
        return batch

    def _keep(self, batch: Sequence[Delivery]) -> None:
        readings: list[Reading] = []
        rejected: list[Rejected] = []
        marks: list[Mark] = []
        tokens: dict[Source, list[object]] = defaultdict(list)
        for source, items, _ in batch:
            self._decode(source, items, readings, rejected, marks)
            tokens[source] += [i.token for i in items if type(i) is Message and i.token is not None]
        count = sum(len(items) for _, items, _ in batch)
        if not self._commit(count, self._judged(readings), rejected, marks):
            return
        self._note_answered(batch if count < _ROOMY_MESSAGES else ())
        for source, given in tokens.items():
            if given:
                source.acknowledge(given)

    def _note_answered(self, batch: Sequence[Delivery]) -> None:
        """Note whom the next moment's messages may come from because they were waited for."""
        items = (item for delivery in batch for item in delivery.items)
        answered = Counter(i.sender for i in items if isinstance(i, Message) and i.token is not None)
        with self._lock:
            self._answered, self._committed_s = answered, time.monotonic()

    def _decode(
        self,
        source: Source,
        items: Sequence[Message | Rejected],
        readings: list[Reading],
        rejected: list[Rejected],
        marks: list[Mark],
    ) -> None:
        """Add what messages give, and what their redeliveries are to be known by where they need that."""
        routes, repeats, name = self._routes, self._repeats, source.name
        for item in items:
            if isinstance(item, Rejected):
                rejected.append(item)
                continue
            message = repeats.original(item) if item.duplicate else item
            try:
                found, aside, by_arrival = decode(message, routes, name)
            except Exception:  # noqa: BLE001  a fault of ours in one message must not stop the rest
                _log.exception("a message on %r could not be decoded", message.topic)
                rejected.append(reject(message, name, "layday failed on this message; please report it"))
                continue
            readings += found
            rejected += aside
            if by_arrival and (mark := repeats.mark(message)) is not None:
                marks.append(mark)

    def _judged(self, readings: list[Reading]) -> list[Reading]:
        try:
            return self._judge.judge(readings)
        except Exception:  # noqa: BLE001  a fault of ours in a flag must not cost a reading
            _log.exception("readings could not be judged")
            return readings

    def _commit(
        self, count: int, readings: list[Reading], rejected: list[Rejected], marks: list[Mark]
    ) -> bool:
        """Put a batch on disk, trying until it is; False only when told to stop meanwhile."""
        added = self._insist(lambda: self._store.add(readings, rejected, marks))
        if added is None or not self._keep_births():
            return False
        if added.conflicting and not self._insist(lambda: self._store.add((), self._conflicts(readings))):
            return False
        with self._lock:
            was = self._status
            self._status = replace(
                was,
                received_count=was.received_count + count,
                kept_count=was.kept_count + added.new,
                repeated_count=was.repeated_count + added.repeated,
                conflicting_count=was.conflicting_count + added.conflicting,
                rejected_count=was.rejected_count + len(rejected) + added.conflicting,
                last_commit_at=self._clock.now(),
            )
        return True

    def _keep_births(self) -> bool:
        """Keep what Sparkplug nodes declared before it is acknowledged: they won't say it again."""
        text = self._routes.births.changed_text()
        if text is None:
            return True

        def write() -> bool:
            self._store.write_state(BIRTHS_KEY, State(text, self._clock.now()))
            return True

        return self._insist(write) is not None

    def _insist(self, write: Callable[[], T]) -> T | None:
        """Write until it succeeds, saying loudly why it does not; None when told to stop meanwhile."""
        wait_s = _RETRY_FIRST_S
        while True:
            try:
                done = write()
            except Exception as error:  # noqa: BLE001  whatever it is, this thread must not die with readings in hand
                self._note_trouble(str(error) or type(error).__name__)
                if self._stopping.wait(wait_s):
                    return None
                wait_s = min(2 * wait_s, _RETRY_LAST_S)
                continue
            if self._status.trouble:
                self._note_trouble("")
            return done

    def _conflicts(self, readings: list[Reading]) -> list[Rejected]:
        """Name the readings whose place is taken by another value: they too were acknowledged."""
        found = []
        for reading in readings:
            kept = self._store.window(reading.sensor, reading.at, reading.at + timedelta(microseconds=1))
            if kept.values.tolist() != [reading.value]:
                head = f"{reading.at.isoformat()} {reading.value!r}".encode()
                why = f"{reading.sensor}: another value for a time that has one; the first one stays"
                found.append(Rejected(reading.received_at, "store", reading.sensor, why, head, len(head)))
        return found

    def _note_trouble(self, words: str) -> None:
        with self._lock:
            first = self._status.trouble != words
            self._status = replace(self._status, trouble=words)
        if first and words:
            _log.error("nothing is acknowledged until this is mended: %s", words)
        elif first:
            _log.warning("the store takes readings again")


def _size_bytes(item: Message | Rejected) -> int:
    return len(item.payload_head if isinstance(item, Rejected) else item.payload)
