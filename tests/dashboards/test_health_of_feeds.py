"""`layday check` counts what a feed brings as configured while it is heard of."""

from datetime import UTC, datetime, timedelta

from collector.domain import Reading
from collector.store.memory import MemoryStore
from dashboards.health import examine

NOW = datetime(2026, 4, 3, 3, 0, tzinfo=UTC)


def _states(age: timedelta, *, has_feeds: bool) -> list[tuple[str, bool]]:
    store = MemoryStore()
    store.add([Reading("keel.air_c", NOW - age, 18.5, NOW - age)])
    health = examine(store, {}, 900, NOW, has_feeds=has_feeds)
    return [(sensor.state, sensor.configured) for sensor in health.sensors]


def test_a_sensor_that_a_feed_brings_counts_while_it_is_heard_of() -> None:
    assert _states(timedelta(minutes=1), has_feeds=True) == [("good", True)]
    assert _states(timedelta(hours=1), has_feeds=True) == [("silent", True)]
    assert _states(timedelta(days=9), has_feeds=True) == [("silent", False)]
    assert _states(timedelta(minutes=1), has_feeds=False) == [("good", False)]
