"""Readings from any source: decode, batch, commit, and only then acknowledge.

Sources put messages into one queue; one thread empties it. While the store cannot take a
batch (disk full, locked), the batch is kept and tried again, nothing is acknowledged, and
`has_room` turns False so that the sources stop reading: the senders keep what is theirs.
"""

import logging
import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TypeVar

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
_IDLE_WAIT_S = 0.005
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
    ) -> None:
        self._store = store
        self._judge = judge or Judge()
        self._repeats = Repeats(redelivery_window_s, store.marks())
        self._routes = routes
        if (births := store.read_state(BIRTHS_KEY)) is not None:
            routes.births.restore(births.text)
        self._clock = clock
        self._queue: deque[tuple[Source, Message | Rejected]] = deque()
        self._waiting_bytes = 0
        self._filled = threading.Event()
        self._stopping = threading.Event()
        self._lock = threading.Lock()
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
        self._filled.set()
        self._thread.join(timeout_s)

    def is_alive(self) -> bool:
        """Say whether the thread still works."""
        return self._thread.is_alive()

    def has_room(self) -> bool:
        """Say whether sources should read on; not while stopping, or a flood would hold up the end."""
        has_space = len(self._queue) < _ROOM_MESSAGES and self._waiting_bytes < _ROOM_BYTES
        return has_space and not self._stopping.is_set()

    def status(self) -> IntakeStatus:
        """Return what intake has done so far."""
        with self._lock:
            return replace(self._status, waiting_count=len(self._queue))

    def _put(self, source: Source, items: Sequence[Message | Rejected]) -> None:
        with self._lock:
            self._queue.extend((source, item) for item in items)
            self._waiting_bytes += sum(map(_size_bytes, items))
        self._filled.set()

    def _run(self) -> None:
        while not (self._stopping.is_set() and not self._queue):
            batch = self._collect()
            if batch:
                self._keep(batch)

    def _collect(self) -> list[tuple[Source, Message | Rejected]]:
        """Wait for a first message, then for more until the batch is full, old, or the queue idles."""
        self._filled.wait()
        deadline = time.monotonic() + BATCH_WAIT_S
        while len(self._queue) < BATCH_MESSAGES and not self._stopping.is_set():
            before = len(self._queue)
            time.sleep(_IDLE_WAIT_S)
            if len(self._queue) == before or time.monotonic() >= deadline:
                break
        self._filled.clear()
        with self._lock:
            batch = [self._queue.popleft() for _ in range(min(BATCH_MESSAGES, len(self._queue)))]
            self._waiting_bytes -= sum(_size_bytes(item) for _, item in batch)
        if self._queue or self._stopping.is_set():
            self._filled.set()
        return batch

    def _keep(self, batch: list[tuple[Source, Message | Rejected]]) -> None:
        readings: list[Reading] = []
        rejected: list[Rejected] = []
        marks: list[Mark] = []
        tokens: dict[Source, list[object]] = defaultdict(list)
        for source, item in batch:
            if isinstance(item, Rejected):
                rejected.append(item)
                continue
            mark = self._decode(source, item, readings, rejected)
            if mark is not None:
                marks.append(mark)
            if item.token is not None:
                tokens[source].append(item.token)
        if not self._commit(len(batch), self._judged(readings), rejected, marks):
            return
        for source, given in tokens.items():
            source.acknowledge(given)

    def _decode(
        self, source: Source, message: Message, readings: list[Reading], rejected: list[Rejected]
    ) -> Mark | None:
        """Add what a message gives; return what its redelivery is to be known by, if it needs that."""
        message = self._repeats.original(message)
        try:
            decoded = decode(message, self._routes, source.name)
        except Exception:  # noqa: BLE001  a fault of ours in one message must not stop the rest
            _log.exception("a message on %r could not be decoded", message.topic)
            rejected.append(reject(message, source.name, "layday failed on this message; please report it"))
            return None
        readings.extend(decoded.readings)
        rejected.extend(decoded.rejected)
        return self._repeats.mark(message) if decoded.by_arrival else None

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
