"""The outlook's process beside a real daemon: it comes, it comes back, and it goes with the daemon."""

import contextlib
import json
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from collector.clock import SystemClock
from collector.domain import Reading
from collector.store.opening import open_store
from forecast.outlook import Outlook
from forecast.outlook_book import open_outlooks
from forecast.outlook_json import load_outlook
from forecast.verdict import Verdict
from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.mosquitto import Mosquitto, free_port, program

TOPIC = "tunnel/keel/node"
QUANTITIES = ("air_c", "humidity_pct", "part_c")
VALUES = {"air_c": 21.0, "humidity_pct": 55.0, "part_c": 20.0}


def with_readings(layday: Layday, hours: float = 6.0) -> None:
    """Put the last hours into the store: a shed that is fit to glass, up to now."""
    now = SystemClock().now()
    store = open_store(layday.folder / "layday.sqlite")
    for name, value in VALUES.items():
        moments = [now - timedelta(minutes=5 * i) for i in range(int(12 * hours))]
        store.add([Reading(f"keel.{name}", at, value, at) for at in moments])
    store.close()


def newest(layday: Layday) -> Outlook | None:
    outlooks = open_outlooks(layday.folder / "layday.outlook.sqlite", read_only=True)
    if outlooks is None:
        return None
    try:
        return outlooks.newest()
    finally:
        outlooks.close()


def child_of(pid: int, program: str = "forecast.service") -> int | None:
    """Return the process that a daemon started for a program of ours."""
    found = subprocess.run(["pgrep", "-P", str(pid)], capture_output=True, text=True, check=False).stdout
    for child in found.split():
        with contextlib.suppress(OSError):  # it may end while we look
            if program.encode() in Path(f"/proc/{child}/cmdline").read_bytes():
                return int(child)
    return None


def is_there(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    return stat.rpartition(")")[2].split()[0] != "Z"


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Layday]:
    """A shed with six hours of readings and a daemon at work."""
    shed = Layday(tmp_path, sensor_lines(TOPIC, QUANTITIES))
    with_readings(shed)
    shed.start()
    yield shed
    shed.end()


def forecast_made(shed: Layday) -> bool:
    found = newest(shed)
    return found is not None and found.forecast_at is not None


def test_it_comes_comes_back_when_killed_and_sees_a_mark_at_once(shed: Layday) -> None:
    until(lambda: newest(shed), "an outlook", 20.0)
    until(lambda: forecast_made(shed), "an outlook with its forecast", 40.0)
    found = newest(shed)
    assert found is not None
    assert found.bays[0].now.verdict is Verdict.GO
    assert {band.quantity for band in found.bays[0].bands} >= {"air_c", "part_c", "margin_k"}

    began_s = time.monotonic()
    shed.ask("cure", "start", "keel", "hull", "--card", "generic-vinyl-ester", "--percent", "1.75")
    until(lambda: (o := newest(shed)) is not None and o.cures, "the cure in the outlook", 20.0)
    assert time.monotonic() - began_s < 15.0  # typing the command included; about 2 s where it is quiet
    tonight = shed.ask_json("tonight")["cures"][0]
    assert tonight["ahead"]["basis"] == "forecast"

    first = child_of(shed.pid)
    assert first is not None
    os.kill(first, signal.SIGKILL)
    before = SystemClock().now()
    until(lambda: child_of(shed.pid) not in {None, first}, "another child", 20.0)
    until(lambda: (o := newest(shed)) is not None and o.issued_at > before, "its first outlook", 40.0)
    assert "is started again" in shed.log.read_text()


def test_it_goes_with_the_daemon_killed_or_stopped(shed: Layday) -> None:
    until(lambda: newest(shed), "an outlook", 20.0)
    child = child_of(shed.pid)
    assert child is not None
    orphan = child
    shed.kill()
    until(lambda: not is_there(orphan), "the child is gone with a killed daemon", 10.0)
    shed.start()
    until(lambda: child_of(shed.pid), "a child of the new daemon", 20.0)
    child = child_of(shed.pid)
    assert child is not None
    shed.stop()
    assert not is_there(child)


def test_readings_are_kept_while_the_child_hangs(shed: Layday) -> None:
    """Stopped in its tracks, in the middle of whatever it was doing."""
    until(lambda: newest(shed), "an outlook", 20.0)
    child = child_of(shed.pid)
    assert child is not None
    os.kill(child, signal.SIGSTOP)
    try:
        publish(shed, datetime.now(UTC) + timedelta(seconds=1))  # noqa: TID251  a device's own clock
        until(lambda: len(shed.values("keel.air_c")) > 72, "a reading is on disk", 10.0)
    finally:
        os.kill(child, signal.SIGKILL)


def publish(shed: Layday, at: datetime) -> None:
    """Send one message of all three quantities, and return when the daemon has acknowledged it."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "keel-node")
    client.connect("127.0.0.1", shed.port)
    client.loop_start()
    sent = client.publish(TOPIC, json.dumps({"t": at.timestamp(), **VALUES}), qos=1)
    sent.wait_for_publish(10.0)
    client.disconnect()
    client.loop_stop()


@pytest.mark.slow
def test_readings_that_stop_are_no_news(tmp_path: Path) -> None:
    shed = Layday(tmp_path, sensor_lines(TOPIC, QUANTITIES))
    with shed.config.open("a") as config:
        config.write("[limits]\nstale_after_min = 0.4\n")
    with_readings(shed, 3.0)
    shed.start()
    try:
        until(lambda: (o := newest(shed)) is not None and o.verdict is Verdict.GO, "go", 20.0)
        until(lambda: (o := newest(shed)) is not None and o.verdict is Verdict.NO_NEWS, "no news", 90.0)
    finally:
        shed.end()


def test_the_newest_is_retained_on_the_yards_broker(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker", port=free_port()) as broker:
        shed = Layday(tmp_path, sensor_lines(TOPIC, QUANTITIES), broker_port=broker.port)
        with_readings(shed)
        shed.start()
        try:
            until(lambda: newest(shed), "an outlook", 20.0)
            heard = subprocess.run(
                [program("mosquitto_sub", "mosquitto-clients"), "-p", str(broker.port), "-C", "1",
                 "-W", "20", "-q", "1", "-t", "layday/tunnel/outlook"],
                capture_output=True, check=True,
            ).stdout  # fmt: skip
            assert load_outlook(heard).shed == "tunnel"
        finally:
            shed.end()
