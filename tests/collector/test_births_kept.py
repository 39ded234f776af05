"""Intake keeps what Sparkplug nodes declare before it acknowledges their births."""

from datetime import UTC, datetime

from collector.clock import ManualClock
from collector.intake import BIRTHS_KEY, Intake
from collector.source import Message
from collector.store.base import State
from collector.store.memory import MemoryStore
from tests.collector.test_intake import RecordingSource, until
from tests.collector.test_payload_pairs import FOLDER, expected, routes

NOW = datetime(2026, 4, 3, 2, 30, tzinfo=UTC)


def _take(store: MemoryStore, case: str) -> None:
    intake = Intake(store, routes("sparkplug"), ManualClock(NOW))
    source = RecordingSource(store)
    intake.start()
    try:
        payload = (FOLDER / f"{case}.in").read_bytes()
        intake.sink(source).messages([Message(expected(case)["topic"], payload, NOW, token=1)])
        until(lambda: source.acknowledged == [1])
    finally:
        intake.stop()


def test_a_process_knows_the_aliases_that_an_earlier_one_was_told() -> None:
    store = MemoryStore()
    _take(store, "sparkplug_birth")
    _take(store, "sparkplug_alias")
    assert store.rejected(9) == []
    newest = store.latest(NOW, NOW - datetime(2020, 1, 1, tzinfo=UTC))
    assert newest["keel.air_c"].value == 18.75
    assert newest["keel.online"].value == 1.0


def test_a_spoilt_memory_of_births_stops_nothing() -> None:
    store = MemoryStore()
    store.write_state(BIRTHS_KEY, State('[["half"]]', NOW))
    _take(store, "sparkplug_birth")
    assert "keel.air_c" in store.sensors()
