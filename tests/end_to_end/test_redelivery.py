"""A real daemon killed between its commit and its acknowledgement; a real broker that sends again."""

import socket
import subprocess
import sys
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.mosquitto import Mosquitto

SENSOR = '[[sensor]]\nplace = "keel"\nquantity = "air_c"\ntopic = "yard/keel/air"\n'
# dies where it would acknowledge: all is on disk, and nobody has been told
DIES = (
    "import os, signal;"
    "from collector.broker_client import BrokerClient as B; from collector.listener import Listener as L;"
    "B.acknowledge = L.acknowledge = lambda self, tokens: os.kill(os.getpid(), signal.SIGKILL);"
)
FORGETS = "from collector.repeats import Repeats; Repeats.original = lambda self, message: message;"
DROPS = (
    "from collector.repeats import Repeats;"
    "Repeats.original = lambda self, m: m._replace(payload=b'dropped') if m.duplicate else m;"
)
MAIN = "from dashboards.cli import main; main()"


class Variant(Layday):
    """A daemon with some of its code replaced."""

    def start_as(self, code: str) -> None:
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-c", code + MAIN, "--config", str(self.config), "run"],
                stdout=log,
                stderr=log,
            )

    def await_death(self) -> None:
        assert self._process is not None
        assert self._process.wait(timeout=20) == -9, self.log.read_text()
        self._process = None


def begin_session(layday: Layday, broker: Mosquitto) -> None:
    """Let the daemon subscribe once, so that the broker queues for it from now on."""
    layday.start()
    until(lambda: "Sending SUBACK to layday\n" in broker.log(), "the daemon has subscribed")
    layday.stop()


def readings(layday: Layday) -> list[float]:
    return list(layday.values("keel.air_c").values())


@pytest.mark.parametrize(
    ("second", "expected"),
    [("", [20.5, 20.5, 20.5]), (FORGETS, [20.5] * 5), (DROPS, [20.5, 20.5, 20.5])],
    ids=["ours", "no cure doubles them", "the wrong cure is right here"],
)
def test_killed_between_commit_and_acknowledgement(
    tmp_path: Path, second: str, expected: list[float]
) -> None:
    """Two equal readings are kept, not acknowledged, and come again to a new process, marked DUP."""
    with Mosquitto(tmp_path / "broker") as broker:
        layday = Variant(tmp_path, SENSOR, broker_port=broker.port)
        try:
            begin_session(layday, broker)
            broker.publish_lines("yard/keel/air", ["20.5", "20.5"])
            layday.start_as(DIES)
            layday.await_death()
            assert readings(layday) == [20.5, 20.5]
            layday.start_as(second)
            broker.publish("yard/keel/air", "20.5")
            until(lambda: len(readings(layday)) >= len(expected), "the third reading has come")
            layday.stop()
            assert readings(layday) == expected
        finally:
            layday.end()


@pytest.mark.parametrize(
    ("variant", "expected"), [("", 3), (DROPS, 1)], ids=["ours", "the wrong cure loses them"]
)
def test_what_was_sent_and_never_read_is_marked_dup_too_and_must_be_kept(
    tmp_path: Path, variant: str, expected: int
) -> None:
    """The broker had put two readings on the wire for a process that died before it read them."""
    mute = (
        "import os; from collector.broker_wire import Deliveries as D;"
        "D.take = lambda self, found: os.kill(os.getpid(), 9) if list(found) else None;"
    )
    with Mosquitto(tmp_path / "broker") as broker:
        layday = Variant(tmp_path, SENSOR, broker_port=broker.port)
        try:
            begin_session(layday, broker)
            broker.publish_lines("yard/keel/air", ["20.5", "20.5"])
            layday.start_as(mute)
            layday.await_death()
            assert readings(layday) == []
            layday.start_as(variant)
            broker.publish("yard/keel/air", "20.5")
            until(lambda: len(readings(layday)) >= expected, "what was sent is kept")
            layday.stop()
            assert len(readings(layday)) == expected
        finally:
            layday.end()


def test_a_sensor_that_publishes_straight_to_layday_is_no_other_case(tmp_path: Path) -> None:
    layday = Variant(tmp_path, SENSOR)
    sensor = mqtt.Client(CallbackAPIVersion.VERSION2, "keel-node", clean_session=False)
    sensor.reconnect_delay_set(1, 1)
    try:
        layday.start_as(DIES)
        until(lambda: _opens(layday.port), "the listener takes connections")
        sensor.connect("127.0.0.1", layday.port)
        sensor.loop_start()
        sent = sensor.publish("yard/keel/air", "20.5", qos=1)
        layday.await_death()
        assert readings(layday) == [20.5]
        layday.start()
        sent.wait_for_publish(20)  # acknowledged at last, by the new process
        again = sensor.publish("yard/keel/air", "20.5", qos=1)
        again.wait_for_publish(20)
        assert readings(layday) == [20.5, 20.5]
    finally:
        sensor.disconnect()
        sensor.loop_stop()
        layday.end()


def _opens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1).close()
    except OSError:
        return False
    return True


def test_a_retained_message_is_no_reading_at_any_restart(tmp_path: Path) -> None:
    """It stands at the broker for ever, and comes with each new subscription."""
    node = sensor_lines("yard/keel/node", ["part_c"])
    with Mosquitto(tmp_path / "broker") as broker:
        broker.publish("yard/keel/air", "20.5", "-r")
        broker.publish("yard/keel/node", '{"part_c": 17, "t": 1775183398}', "-r")
        layday = Layday(tmp_path, SENSOR + node, broker_port=broker.port)
        try:
            for _ in range(3):
                layday.start()
                until(lambda: len(layday.values("keel.part_c")) == 1, "the one that has its time is kept")
                layday.stop()
                broker.kill()
                broker.forget()  # its session is new each time, so it sends what is retained again
                broker.start()
                broker.publish("yard/keel/air", "20.5", "-r")
                broker.publish("yard/keel/node", '{"part_c": 17, "t": 1775183398}', "-r")
            assert layday.values("keel.air_c") == {}
            assert list(layday.values("keel.part_c").values()) == [17.0]
        finally:
            layday.end()
