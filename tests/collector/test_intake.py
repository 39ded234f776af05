"""Decode, batch, commit, then acknowledge; whatever the store or a message does."""

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta

import pytest

from collector.clock import ManualClock, to_us
from collector.domain import Reading, Rejected
from collector.errors import StoreFullError
from collector.intake import Intake
from collector.payload import build_routes, decode
from collector.quality import Judge
from collector.sensor_config import SensorConfig
from collector.source import Message, Sink, SourceStatus
from collector.store.base import Added, Mark
from collector.store.memory import MemoryStore

NOW = datetime(2026, 4, 3, 2, 30, tzinfo=UTC)
ENTRY = SensorConfig(place="keel", quantity="air_c", topic="a", pointer="/v", time_pointer="/t")


class RecordingSource:
    """A source that only remembers what was acknowledged, and what the store held by then."""

    def __init__(self, store: MemoryStore, name: str = "test") -> None:
        self.name = name
        self.store = store
        self.acknowledged: list[object] = []
        self.kept_and_acknowledged: list[tuple[int, int]] = []

    def start(self, sink: Sink) -> None:
        self.sink = sink

    def acknowledge(self, tokens: Sequence[object]) -> None:
        kept = len(self.store.window("keel.air_c", NOW - timedelta(days=9), NOW).values)
        self.acknowledged += tokens
        self.kept_and_acknowledged.append((kept, len(self.acknowledged)))

    def status(self) -> SourceStatus:
        return SourceStatus(self.name, True, "", NOW, None, 1, 0, 0)

    def stop(self) -> None:
        pass


class StubbornStore(MemoryStore):
    """A store whose disk is full until it is told otherwise."""

    def __init__(self) -> None:
        super().__init__()
        self.full = True
        self.sizes: list[int] = []

    def add(
        self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
    ) -> Added:
        if self.full:
            raise StoreFullError("no space left on the card")
        self.sizes.append(len(readings))
        return super().add(readings, rejected, marks)


def message(number: int, value: object = 20.5) -> Message:
    at_s = int((NOW - timedelta(seconds=number)).timestamp())
    return Message("a", f'{{"v": {value}, "t": {at_s}}}'.encode(), NOW, token=number)


def until(holds: Callable[[], object], timeout_s: float = 5.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline, "it did not come to pass in time"
        time.sleep(0.005)


@pytest.fixture
def store() -> MemoryStore:
    return MemoryStore()


@pytest.fixture
def intake(store: MemoryStore) -> Iterator[Intake]:
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    yield intake
    intake.stop()
    assert not intake.is_alive()


def test_everything_is_on_disk_before_it_is_acknowledged(store: MemoryStore, intake: Intake) -> None:
    source = RecordingSource(store)
    sink = intake.sink(source)
    for first in range(0, 1200, 100):
        sink.messages([message(n) for n in range(first + 1, first + 101)])
    until(lambda: len(source.acknowledged) == 1200)
    assert source.acknowledged == list(range(1, 1201))
    assert all(kept >= acknowledged for kept, acknowledged in source.kept_and_acknowledged)
    assert source.kept_and_acknowledged[-1] == (1200, 1200)
    status = intake.status()
    assert (status.received_count, status.kept_count, status.rejected_count) == (1200, 1200, 0)
    assert status.last_commit_at == NOW


def test_each_source_is_given_back_its_own_tokens(store: MemoryStore, intake: Intake) -> None:
    one, two = RecordingSource(store, "one"), RecordingSource(store, "two")
    sinks = intake.sink(one), intake.sink(two)
    sinks[0].messages([message(1), message(3)])
    sinks[1].messages([message(2)._replace(token="b")])
    until(lambda: len(one.acknowledged) + len(two.acknowledged) == 3)
    assert (one.acknowledged, two.acknowledged) == ([1, 3], ["b"])


def test_bad_messages_are_kept_with_their_reason_and_acknowledged(store: MemoryStore, intake: Intake) -> None:
    source = RecordingSource(store)
    sink = intake.sink(source)
    sink.messages([message(1, '"damp"'), message(2), Message("nowhere", b"1", NOW, token=3)])
    sink.rejected(Rejected(NOW, "test", "b\\xff", "topic is not UTF-8", b"", 7))
    until(lambda: intake.status().rejected_count == 3)
    assert sorted(map(str, source.acknowledged)) == ["1", "2", "3"]
    assert set(store.rejected_counts()) == {
        "keel.air_c: value is not a number",
        "no sensor is configured for this topic",
        "topic is not UTF-8",
    }
    assert len(store.window("keel.air_c", NOW - timedelta(days=1), NOW).values) == 1


def test_quality_of_service_0_needs_no_acknowledgement(store: MemoryStore, intake: Intake) -> None:
    source = RecordingSource(store)
    intake.sink(source).messages([message(1)._replace(token=None)])
    until(lambda: intake.status().kept_count == 1)
    assert source.acknowledged == []


def test_a_full_store_acknowledges_nothing_until_it_has_space() -> None:
    store = StubbornStore()
    source = RecordingSource(store)
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    try:
        sink = intake.sink(source)
        sink.messages([message(n) for n in range(1, 51)])
        until(lambda: intake.status().trouble)
        sink.messages([message(n) for n in range(51, 101)])
        assert source.acknowledged == []
        assert "no space left" in intake.status().trouble
        store.full = False
        until(lambda: len(source.acknowledged) == 100)
        assert intake.status().trouble == ""
        assert len(store.window("keel.air_c", NOW - timedelta(days=1), NOW).values) == 100
    finally:
        intake.stop()


def test_stopping_with_a_full_store_leaves_the_messages_with_their_senders() -> None:
    store = StubbornStore()
    source = RecordingSource(store)
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    intake.sink(source).messages([message(1)])
    until(lambda: intake.status().trouble)
    began_s = time.monotonic()
    intake.stop()
    assert time.monotonic() - began_s < 2
    assert not intake.is_alive()
    assert source.acknowledged == []


def test_a_flood_turns_the_room_off_and_it_comes_back() -> None:
    store = StubbornStore()
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    source = RecordingSource(store)
    sink = intake.sink(source)
    try:
        sink.messages([message(n) for n in range(1, 21_001)])
        assert not sink.has_room()
        store.full = False
        until(lambda: len(source.acknowledged) == 21_000, 20)
        assert sink.has_room()
        assert intake.status().waiting_count == 0
        assert sum(store.sizes) == 21_000
        assert max(store.sizes) == 2000  # more in one transaction would hold up every reader
    finally:
        intake.stop()


def test_large_messages_turn_the_room_off_sooner_and_it_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.intake._ROOM_BYTES", 10_000)
    store = StubbornStore()
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    source = RecordingSource(store)
    sink = intake.sink(source)
    try:
        sink.messages([message(1)])
        until(lambda: intake.status().trouble)
        large = [message(n)._replace(payload=message(n).payload.ljust(2_000)) for n in range(2, 7)]
        sink.messages(large[:4])
        assert sink.has_room()
        sink.messages(large[4:])
        assert not sink.has_room()
        store.full = False
        until(lambda: len(source.acknowledged) == 6)
        assert sink.has_room()
    finally:
        intake.stop()


def test_a_conflict_that_cannot_be_recorded_is_not_acknowledged() -> None:
    """The second value would be gone: it is in neither table."""

    class NoRejects(MemoryStore):
        def add(
            self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
        ) -> Added:
            if rejected:
                raise StoreFullError("no space left on the card")
            return super().add(readings, rejected, marks)

    store = NoRejects()
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    source = RecordingSource(store)
    intake.sink(source).messages([message(1, 20.5), message(1, 21.5)])
    until(lambda: intake.status().trouble)
    intake.stop()
    assert source.acknowledged == []


def test_only_the_reading_that_lost_its_place_is_put_aside(store: MemoryStore) -> None:
    """Its neighbour a microsecond later has its own."""
    entry = ENTRY.model_copy(update={"time_unit": "us"})
    intake = Intake(store, build_routes([entry]), ManualClock(NOW))
    intake.start()
    source = RecordingSource(store)
    at_us = to_us(NOW - timedelta(hours=1))
    sent = [(20.5, at_us), (20.75, at_us + 1), (21.5, at_us)]
    payloads = [f'{{"v": {value}, "t": {time_us}}}'.encode() for value, time_us in sent]
    intake.sink(source).messages([Message("a", payload, NOW, token=1) for payload in payloads])
    until(lambda: len(source.acknowledged) == 3)
    intake.stop()
    (aside,) = store.rejected(10)
    assert b"21.5" in aside.payload_head
    status = intake.status()
    assert (status.kept_count, status.conflicting_count, status.waiting_count) == (2, 1, 0)


def test_a_fault_of_our_own_in_one_message_stops_nothing(
    store: MemoryStore, intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(item: Message, *rest: object) -> object:
        if item.token == 2:
            raise ZeroDivisionError
        return decode(item, *rest)  # type: ignore[arg-type]

    monkeypatch.setattr("collector.intake.decode", failing)
    source = RecordingSource(store)
    intake.sink(source).messages([message(1), message(2), message(3)])
    until(lambda: len(source.acknowledged) == 3)
    assert store.rejected_counts() == {"layday failed on this message; please report it": 1}
    assert intake.is_alive()


def test_a_fault_of_our_own_in_a_flag_costs_no_reading(store: MemoryStore) -> None:
    class Faulty(Judge):
        def judge(self, readings: Sequence[Reading]) -> list[Reading]:
            raise ZeroDivisionError

    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW), Faulty())
    intake.start()
    source = RecordingSource(store)
    intake.sink(source).messages([message(1)])
    until(lambda: source.acknowledged == [1])
    intake.stop()
    assert intake.status().kept_count == 1


def test_threads_may_deliver_at_once(store: MemoryStore, intake: Intake) -> None:
    source = RecordingSource(store)
    sink = intake.sink(source)

    def deliver(first: int) -> None:
        for number in range(first, 2001, 4):
            sink.messages([message(number)])

    threads = [threading.Thread(target=deliver, args=(first,)) for first in range(1, 5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    until(lambda: len(source.acknowledged) == 2000)
    assert sorted(map(int, map(str, source.acknowledged))) == list(range(1, 2001))


def test_another_value_at_a_kept_time_is_put_aside_not_lost(store: MemoryStore, intake: Intake) -> None:
    """A sensor with one stamp for two values: the first stays, the second is kept with its reason."""
    source = RecordingSource(store)
    sink = intake.sink(source)
    sink.messages([message(1, 20.5), message(1, 21.5), message(1, 20.5)])
    until(lambda: len(source.acknowledged) == 3)
    assert store.window("keel.air_c", NOW - timedelta(days=1), NOW).values.tolist() == [20.5]
    (aside,) = store.rejected(10)
    assert "another value for a time that has one" in aside.reason
    assert (intake.status().conflicting_count, intake.status().rejected_count) == (1, 1)
    assert b"21.5" in aside.payload_head


def test_a_store_that_fails_in_an_unforeseen_way_does_not_end_intake() -> None:
    """Its thread must not die while the daemon looks alive."""

    class FaultyStore(MemoryStore):
        faults = 1

        def add(
            self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
        ) -> Added:
            if self.faults:
                self.faults -= 1
                raise ZeroDivisionError
            return super().add(readings, rejected, marks)

    store = FaultyStore()
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    source = RecordingSource(store)
    try:
        intake.sink(source).messages([message(1)])
        until(lambda: source.acknowledged == [1])
        assert intake.is_alive()
        assert intake.status().trouble == ""
    finally:
        intake.stop()


def test_what_was_done_adds_up_over_commits(store: MemoryStore, intake: Intake) -> None:
    sink = intake.sink(RecordingSource(store))
    for number in (1, 2):
        kinds = [
            message(number, 20.5),
            message(number, 20.5),
            message(number, 21.5),
            message(number, '"damp"'),
        ]
        sink.messages(kinds)
        until(lambda number=number: intake.status().received_count == 4 * number)  # type: ignore[misc]
    status = intake.status()
    assert (status.kept_count, status.repeated_count, status.conflicting_count) == (2, 2, 2)
    assert status.rejected_count == 4  # the two that lost their place are among them
    assert sum(store.rejected_counts().values()) == 4
