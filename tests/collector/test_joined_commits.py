"""Slow traffic shares its commits; nobody who goes on when acknowledged is kept waiting."""

import time
from collections.abc import Iterator

import pytest

from collector.clock import SystemClock
from collector.intake import Intake
from collector.payload import build_routes
from collector.source import Sink
from collector.store.memory import MemoryStore
from tests.collector.test_intake import ENTRY, RecordingSource, StubbornStore, message, until


@pytest.fixture
def store() -> MemoryStore:
    return MemoryStore()


@pytest.fixture
def patient(
    store: MemoryStore, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[Intake, RecordingSource, Sink]]:
    """An intake that has just committed, and writes again in half a minute if nothing hurries it."""
    monkeypatch.setattr("collector.intake._AT_ONCE_S", 10.0)  # the machine may be busy
    intake = Intake(store, build_routes([ENTRY]), SystemClock(), commit_every_s=30.0)
    source = RecordingSource(store)
    intake.start()
    sink = intake.sink(source)
    sink.messages([message(1)._replace(sender="one")])
    until(lambda: source.acknowledged == [1])
    yield intake, source, sink
    intake.stop()


def test_what_comes_soon_after_a_commit_waits_for_more_and_goes_with_them_in_one_commit(
    patient: tuple[Intake, RecordingSource, Sink],
) -> None:
    """A commit writes as much for one reading as for a hundred: 4 GB a day on a card, one by one."""
    _, source, sink = patient
    for number in range(2, 33):
        sink.messages([message(number)._replace(sender=f"node {number}")])
        time.sleep(0.01)
    assert source.acknowledged == [1]
    sink.messages([message(33)._replace(sender="node 33")])
    until(lambda: len(source.acknowledged) > 1)
    assert source.kept_and_acknowledged == [(1, 1), (33, 33)]


def test_a_sender_that_goes_on_when_acknowledged_is_not_kept_waiting(
    patient: tuple[Intake, RecordingSource, Sink],
) -> None:
    """It sends no more before: a backlog of hours would else come at a reading in two seconds."""
    _, source, sink = patient
    for number in range(2, 12):
        sink.messages([message(number)._replace(sender="one")])
        until(lambda number=number: len(source.acknowledged) == number)  # type: ignore[misc]
    assert source.acknowledged == list(range(1, 12))


def test_a_window_of_messages_that_is_sent_anew_is_committed_as_a_whole(
    patient: tuple[Intake, RecordingSource, Sink],
) -> None:
    _, source, sink = patient
    sink.messages([message(n)._replace(sender="one") for n in range(2, 10)])
    until(lambda: len(source.acknowledged) == 9)
    for number in range(10, 17):
        sink.messages([message(number)._replace(sender="one")])
    time.sleep(0.1)
    assert len(source.acknowledged) == 9  # eight were acknowledged: it may send one more by itself
    sink.messages([message(17)._replace(sender="one")])
    until(lambda: len(source.acknowledged) == 17)


def test_whoever_needs_no_acknowledgement_is_not_waiting_for_one(
    patient: tuple[Intake, RecordingSource, Sink],
) -> None:
    intake, _, sink = patient
    sink.messages([message(2)._replace(token=None, sender="one")])
    until(lambda: intake.status().kept_count == 2)
    sink.messages([message(3)._replace(token=None, sender="one")])
    time.sleep(0.1)
    assert (intake.status().kept_count, intake.status().waiting_count) == (2, 1)


def test_nobody_waits_longer_than_the_time_between_commits(store: MemoryStore) -> None:
    intake = Intake(store, build_routes([ENTRY]), SystemClock(), commit_every_s=0.4)
    source = RecordingSource(store)
    intake.start()
    try:
        sink = intake.sink(source)
        for number in range(1, 4):
            sink.messages([message(number)._replace(sender=f"node {number}")])
            until(lambda number=number: len(source.acknowledged) == number)  # type: ignore[misc]
    finally:
        intake.stop()


def test_what_trickles_in_is_gathered_until_it_rests(monkeypatch: pytest.MonkeyPatch) -> None:
    """Seventy nodes that speak one after the other in a second and a half: a commit or two, not seventy."""
    monkeypatch.setattr("collector.intake._IDLE_WAIT_S", 0.25)
    monkeypatch.setattr("collector.intake.BATCH_WAIT_S", 30.0)
    store = StubbornStore()
    store.full = False
    intake = Intake(store, build_routes([ENTRY]), SystemClock(), commit_every_s=0.0)
    source = RecordingSource(store)
    intake.start()
    try:
        sink = intake.sink(source)
        for number in range(70):
            sink.messages([message(number)._replace(sender=f"node {number}")])
            time.sleep(0.02)
        until(lambda: len(source.acknowledged) == 70)
        assert len(store.sizes) <= 3
    finally:
        intake.stop()


def test_what_waits_for_more_is_committed_when_stopping(
    patient: tuple[Intake, RecordingSource, Sink],
) -> None:
    intake, source, sink = patient
    sink.messages([message(2)._replace(sender="two")])
    intake.stop()
    assert source.kept_and_acknowledged == [(1, 1), (2, 2)]
