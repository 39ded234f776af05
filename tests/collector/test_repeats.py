"""Redelivery: nothing double, nothing lost, also over kill -9 and with equal values."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import ManualClock
from collector.domain import Reading
from collector.intake import Intake
from collector.payload import build_routes
from collector.repeats import Repeats
from collector.sensor_config import SensorConfig
from collector.source import Message
from collector.store.base import Mark, Store
from collector.store.limits import KEPT_MARKS
from collector.store.memory import MemoryStore
from collector.store.opening import open_store
from tests.collector.test_intake import RecordingSource, until

NOW = datetime(2026, 4, 3, 2, 30, tzinfo=UTC)
ENTRY = SensorConfig(place="keel", quantity="air_c", topic="a")


class DropsEveryDup(Repeats):
    """The wrong cure: what is marked as sent before is taken for received before."""

    def original(self, message: Message) -> Message:
        return message._replace(payload=b"dropped") if message.duplicate else message


class IgnoresDup(Repeats):
    """No cure: every delivery is a new message."""

    def original(self, message: Message) -> Message:
        return message


class Step(NamedTuple):
    """A try to deliver: what reaches us, or is lost on the way."""

    at_s: float
    packet_id: int
    value: float
    duplicate: bool = False
    lost: bool = False


# An hour at a bad link, by hand: what was measured at which second, and what became of each try.
STEPS = (
    Step(0, 1, 20.5),
    Step(10, 2, 20.5),  # an equal value ten seconds later is a reading of its own
    Step(20, 3, 20.5, lost=True),  # never came through ...
    Step(25, 3, 20.5, duplicate=True),  # ... so this, though marked, is its first coming
    Step(30, 4, 20.6),  # came through, but its acknowledgement did not ...
    Step(34, 4, 20.6, duplicate=True),  # ... so it comes again ...
    Step(38, 4, 20.6, duplicate=True),  # ... and again
    Step(40, 5, 20.6),
    Step(50, 5, 20.6, duplicate=True),
    Step(60, 6, 20.5, lost=True),
    Step(70, 6, 20.5, duplicate=True),
    Step(75, 6, 20.5, duplicate=True),
)
MEASURED = [20.5, 20.5, 20.5, 20.6, 20.6, 20.5]


def delivered(step: Step, token: int) -> Message:
    at = NOW + timedelta(seconds=step.at_s)
    payload = str(step.value).encode()
    return Message("a", payload, at, token, False, step.duplicate, "node", step.packet_id)


@contextmanager
def running(store: Store) -> Iterator[Intake]:
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    try:
        yield intake
    finally:
        intake.stop()


def take(store: Store, steps: Sequence[Step]) -> None:
    """Let a process of its own take what comes through, and end."""
    source = RecordingSource(MemoryStore())
    with running(store) as intake:
        came = [delivered(step, token) for token, step in enumerate(steps) if not step.lost]
        intake.sink(source).messages(came)
        until(lambda: len(source.acknowledged) == len(came))


def kept(store: Store) -> list[float]:
    values: list[float] = store.window("keel.air_c", NOW, NOW + timedelta(hours=1)).values.tolist()
    return values


def lost_and_doubled(store: Store) -> tuple[int, int]:
    found = kept(store)
    missing = sum(max(0, MEASURED.count(v) - found.count(v)) for v in {*MEASURED})
    double = sum(max(0, found.count(v) - MEASURED.count(v)) for v in {*MEASURED})
    return missing, double


def test_redelivery_neither_doubles_nor_loses_a_reading() -> None:
    store = MemoryStore()
    take(store, STEPS)
    assert lost_and_doubled(store) == (0, 0)
    assert kept(store) == MEASURED


@pytest.mark.parametrize(("variant", "lost", "doubled"), [(DropsEveryDup, 2, 0), (IgnoresDup, 0, 4)])
def test_the_wrong_cures_are_caught(
    monkeypatch: pytest.MonkeyPatch, variant: type[Repeats], lost: int, doubled: int
) -> None:
    """Counted by hand: two readings only ever came marked; four came once more than they should."""
    monkeypatch.setattr("collector.intake.Repeats", variant)
    store = MemoryStore()
    take(store, STEPS)
    assert lost_and_doubled(store) == (lost, doubled)


@pytest.mark.parametrize("cut", range(len(STEPS) + 1))
def test_a_restart_between_any_two_deliveries_changes_nothing(tmp_path: Path, cut: int) -> None:
    """The marks come back from the file, so that a new process knows what the old one kept."""
    for steps in (STEPS[:cut], STEPS[cut:]):
        store = open_store(tmp_path / "layday.sqlite")
        try:
            take(store, steps)
        finally:
            store.close()
    store = open_store(tmp_path / "layday.sqlite")
    try:
        assert kept(store) == MEASURED
    finally:
        store.close()


def message(packet_id: int = 1, at_s: float = 0, *, duplicate: bool = False, sender: str = "n") -> Message:
    at = NOW + timedelta(seconds=at_s)
    return Message("a", b"1", at, packet_id, False, duplicate, sender, packet_id)


@pytest.mark.parametrize(
    "other",
    [
        message(2, 5, duplicate=True),
        message(1, 5, duplicate=True, sender="another"),
        message(1, 5, duplicate=True)._replace(topic="b"),
        message(1, 5, duplicate=True)._replace(payload=b"2"),
        message(1, 5, duplicate=False),
    ],
)
def test_what_differs_in_anything_is_no_repeat(other: Message) -> None:
    repeats = Repeats(300.0)
    repeats.mark(message())
    assert repeats.original(other) == other


def test_the_window_ends() -> None:
    elapsed = [0.0]
    repeats = Repeats(300.0, elapsed_s=lambda: elapsed[0])
    repeats.mark(message())
    elapsed[0] = 299.0
    assert repeats.original(message(1, 299, duplicate=True)).received_at == NOW
    elapsed[0] = 301.0
    again = message(1, 301, duplicate=True)
    assert repeats.original(again) == again


def test_a_packet_id_that_was_used_again_is_remembered_from_its_later_use() -> None:
    """What is forgotten with the first use must not take the second along."""
    elapsed = [0.0]
    repeats = Repeats(300.0, elapsed_s=lambda: elapsed[0])
    repeats.mark(message())
    elapsed[0] = 200.0
    assert repeats.mark(message(1, 200)) is not None
    elapsed[0] = 400.0
    assert repeats.original(message(1, 400, duplicate=True)).received_at == NOW + timedelta(seconds=200)
    elapsed[0] = 501.0
    again = message(1, 501, duplicate=True)
    assert repeats.original(again) == again


def test_a_repeat_leaves_no_second_mark_and_a_message_without_a_packet_id_none() -> None:
    repeats = Repeats(300.0)
    assert repeats.mark(message()) is not None
    assert repeats.mark(repeats.original(message(1, 5, duplicate=True))) is None
    assert repeats.mark(message(0)) is None


def test_what_the_last_run_heard_within_the_window_is_remembered_to_its_very_edge() -> None:
    older, edge, newest = (message(i, -at_s) for i, at_s in ((1, 300.001), (2, 300), (3, 0)))
    first = Repeats(1000.0)
    kept = [mark for one in (older, edge, newest) if (mark := first.mark(one)) is not None]
    second = Repeats(300.0, kept)
    for one, is_known in ((older, False), (edge, True), (newest, True)):
        again = one._replace(received_at=NOW + timedelta(seconds=5), duplicate=True)
        assert (second.original(again).received_at == one.received_at) is is_known


def test_time_without_layday_does_not_count_nor_does_a_leaping_clock() -> None:
    """After a night without power the broker first redelivers what it had not seen acknowledged."""
    first = Repeats(300.0)
    mark = first.mark(message())
    assert mark is not None
    second = Repeats(300.0, [Mark(5, NOW - timedelta(hours=1)), mark])
    assert second.original(message(1, 9 * 3600, duplicate=True)).received_at == NOW
    assert second.original(message(1, -3600, duplicate=True)).received_at == NOW


def test_a_window_of_nothing_remembers_nothing() -> None:
    repeats = Repeats(0.0)
    assert repeats.mark(message()) is None
    assert repeats.original(message(1, 5, duplicate=True)).received_at == NOW + timedelta(seconds=5)


def test_memory_is_bounded() -> None:
    repeats = Repeats(300.0, elapsed_s=lambda: 0.0)
    for i in range(KEPT_MARKS + 5000):
        repeats.mark(message(i % 65_535 + 1, sender=str(i // 65_535)))
    assert len(repeats._first) <= KEPT_MARKS + 1
    assert len(repeats._ages) <= KEPT_MARKS + 1


tries = st.lists(st.tuples(st.booleans(), st.integers(0, 2)), min_size=1, max_size=30)


@given(tries, st.lists(st.integers(0, 40), max_size=3))
def test_any_course_of_losses_repeats_and_restarts_keeps_each_reading_once(
    fates: list[tuple[bool, int]], restarts: list[int]
) -> None:
    """Readings of equal value, lost at first or not, that come again up to twice, across restarts."""
    store = MemoryStore()
    repeats = Repeats(300.0, store.marks())
    at_s = 0.0
    expected = 0
    for number, (is_lost, again) in enumerate(fates):
        if number in restarts:
            repeats = Repeats(300.0, store.marks())
        comes: Iterable[bool] = [False] * (not is_lost) + [True] * (again + is_lost)
        for duplicate in comes:
            at_s += 1.0
            one = repeats.original(message(number + 1, at_s, duplicate=duplicate))
            mark = repeats.mark(one)
            store.add(
                [Reading("keel.air_c", one.received_at, 1.0, one.received_at)], (), [mark] if mark else []
            )
        expected += 1
    assert len(kept(store)) == expected
