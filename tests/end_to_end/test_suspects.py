"""A sensor that goes wrong over real MQTT: kept, flagged, across a kill -9, and told by the commands."""

import json
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.domain import Flag
from collector.store.opening import open_store
from tests.end_to_end.layday import Layday, sensor_lines
from tests.end_to_end.test_bad_input import client

TOPIC = "tunnel/keel/node"
QUANTITIES = ("air_c", "humidity_pct", "part_c")


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Layday]:
    shed = Layday(tmp_path, sensor_lines(TOPIC, QUANTITIES))
    shed.start()
    yield shed
    shed.end()


def publish(shed: Layday, minutes_ago: range, humidity_pct: float, clock_off_s: int = 0) -> None:
    """Let a node send readings that waited for their connection, a minute apart."""
    now_s = int(SystemClock().now().timestamp())
    peer = client(shed.port, "node")
    for i in minutes_ago:
        values = {"air_c": 20.0 + 0.01 * (i % 3), "humidity_pct": humidity_pct, "part_c": 19.5}
        text = json.dumps({"t": now_s - 60 * i + clock_off_s, **values})
        peer.publish(TOPIC, text, qos=1).wait_for_publish(5)
    peer.disconnect()
    peer.loop_stop()


def flags(shed: Layday, sensor: str) -> list[Flag]:
    with closing(open_store(shed.folder / "layday.sqlite", read_only=True)) as store:
        span = store.sensors()[sensor]
        samples = store.window(sensor, span.first_at, span.last_at + timedelta(microseconds=1))
    return [Flag(bits) for bits in samples.flags.tolist()]


def test_a_wet_sensor_gives_no_verdict_and_stays_flagged_over_a_kill(shed: Layday) -> None:
    publish(shed, range(50, 45, -1), 70.0)
    publish(shed, range(45, 5, -1), 100.0)
    assert flags(shed, "keel.humidity_pct")[-1] is Flag.PINNED
    shed.kill()
    shed.start()
    publish(shed, range(5, -1, -1), 100.0)
    found = flags(shed, "keel.humidity_pct")
    assert len(found) == 51
    assert set(found[40:]) == {Flag.PINNED}
    assert not any(found[:30])
    answer = shed.ask("now", "--plain")
    assert answer.returncode == 12
    assert "humidity sensor has stood at 100 % for 45 min, it is probably wet" in answer.stdout
    assert "! keel.humidity_pct has stood at 100 % for 45 min" in shed.ask("check").stdout
    (sensor,) = [s for s in shed.ask_json("check")["sensors"] if s["name"] == "keel.humidity_pct"]
    assert (sensor["state"], sensor["flags"]) == ("suspect", ["pinned"])


def test_a_node_two_hours_fast_is_kept_and_told(shed: Layday) -> None:
    publish(shed, range(3, -1, -1), 60.0, clock_off_s=7200)
    assert flags(shed, "keel.air_c") == [Flag.CLOCK_OFF] * 4
    answer = shed.ask("now", "--plain")
    assert answer.returncode == 12
    assert "air sensor's clock runs 1 h 59 min ahead" in answer.stdout
    assert "set this computer's clock" in " ".join(shed.ask("check").stdout.split())
