"""A simulated shed that breaks on command, on the air: the daemon flags what is wrong and nothing else."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.clock import QuickClock
from collector.config import Config
from collector.domain import Flag
from collector.sensor_config import SensorConfig
from collector.service import Daemon
from collector.source_config import ListenerConfig
from collector.store.opening import open_store
from collector.store.sqlite import SqliteStore
from forecast.shed_now import shed_now
from forecast.verdict import Cause, Limits
from hardware.tent.node import sensor_entries
from hardware.tent.publisher import TentPublisher
from hardware.tent.scenario import parse_scenario
from tests.end_to_end.layday import until
from tests.mosquitto import free_port

START = datetime(2026, 10, 5, 6, 0, tzinfo=UTC)
SPEED = 300.0
LIMITS = Limits(0, 40, 0, 40, 90, 0, 3600)
BREAKS = ["wet:keel@10m", "clock-off:sheer=7200@10m", "dropout:outdoor@10m+20m"]


@contextmanager
def on_the_air(folder: Path) -> Iterator[tuple[SqliteStore, Config, QuickClock]]:
    sensors = tuple(SensorConfig.model_validate(entry) for entry in sensor_entries())
    config = Config(listener=ListenerConfig(port=free_port()), sensor=sensors)
    store = open_store(folder / "layday.sqlite")
    publisher = TentPublisher(
        "127.0.0.1",
        config.listener.port,
        start=START,
        scenario=parse_scenario(BREAKS, START, dropouts_per_day=0.0),
        seed=3,
        now=(clock := QuickClock(START, SPEED)).now,
    )
    daemon = Daemon(config, store, clock)
    daemon.start()
    publisher.start()
    try:
        yield store, config, clock
    finally:
        publisher.stop()
        daemon.stop()
        store.close()


def found(store: SqliteStore) -> dict[str, set[Flag]]:
    """Return the flags that each sensor's readings ever got."""
    flags = {}
    for name, span in store.sensors().items():
        samples = store.window(name, span.first_at, span.last_at + timedelta(seconds=1))
        flags[name] = {Flag(bits) for bits in samples.flags.tolist() if bits}
    return flags


@pytest.mark.slow
def test_a_wet_sensor_and_a_fast_clock_are_flagged_and_the_rest_is_not(tmp_path: Path) -> None:
    with on_the_air(tmp_path) as (store, config, clock):
        until(lambda: found(store).get("keel.humidity_pct"), "the wet sensor is found out", 60)
        until(lambda: found(store).get("sheer.air_c"), "the fast clock is found out", 60)
        flags = found(store)
        shed = shed_now(store, "tunnel", config.sensors, LIMITS, clock.now())
    wrong = {f"sheer.{quantity}": {Flag.CLOCK_OFF} for quantity in ("air_c", "humidity_pct", "part_c")}
    assert {name: kinds for name, kinds in flags.items() if kinds} == wrong | {
        "keel.humidity_pct": {Flag.PINNED}
    }
    keel, sheer = shed.bays
    assert [(r.cause, r.quantity) for r in keel.reasons if r.flags] == [(Cause.SUSPECT, "humidity_pct")]
    assert {reason.cause for reason in sheer.reasons} == {Cause.FUTURE}
