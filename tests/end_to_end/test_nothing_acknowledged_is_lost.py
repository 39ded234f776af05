"""Publish with real clients, kill the daemon again and again: every acknowledged message is there once."""

import random
import threading
import time
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.mosquitto import Mosquitto, program

TOPIC = "tunnel/keel/node"
FIRST_S = 1_775_000_000
KILLS = 20


class Sensor:
    """A real paho client that numbers its messages by their device time and knows which were acknowledged."""

    def __init__(self, port: int) -> None:
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            "keel-node",
            clean_session=False,
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self.client.on_publish = self._on_publish
        self.client.max_queued_messages_set(0)
        self.client.max_inflight_messages_set(100)
        self.client.reconnect_delay_set(0.05, 0.2)  # type: ignore[arg-type]  # fractions work, the hint says int
        self.client.connect_async("127.0.0.1", port)
        self.client.loop_start()
        self.sent: dict[int, int] = {}
        self.acknowledged: set[int] = set()
        self._lock = threading.Lock()
        self._early: set[int] = set()

    def _on_publish(
        self, client: mqtt.Client, userdata: object, mid: int, reason: ReasonCode, properties: Properties
    ) -> None:
        with self._lock:
            self._early.add(mid)

    def send(self) -> None:
        at_s = FIRST_S + len(self.sent)
        payload = f'{{"t": {at_s}, "air_c": {len(self.sent) / 10}}}'
        sent = self.client.publish(TOPIC, payload, qos=1)
        assert sent.rc in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_NO_CONN)
        self.sent[sent.mid] = at_s

    def settled(self) -> set[int]:
        """Return the device times of all messages acknowledged so far."""
        with self._lock:
            return {self.sent[mid] for mid in self._early if mid in self.sent}

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def _hammer(layday: Layday, sensor: Sensor, seed: int) -> int:
    """Publish without a pause while the daemon is killed `KILLS` times at random moments."""
    chance = random.Random(seed)
    over = threading.Event()

    def publish() -> None:
        while not over.is_set():
            sensor.send()
            time.sleep(0.002)

    publisher = threading.Thread(target=publish)
    publisher.start()
    try:
        for _ in range(KILLS):
            layday.start()
            time.sleep(chance.uniform(0.05, 0.5))
            layday.kill()
    finally:
        over.set()
        publisher.join()
    layday.start()
    return len(sensor.sent)


def _expect_each_once(layday: Layday, count: int) -> None:
    expected = {(FIRST_S + n) * 1_000_000: n / 10 for n in range(count)}
    until(lambda: len(layday.values("keel.air_c")) >= count, f"{count} readings are in the store", 30)
    assert layday.values("keel.air_c") == expected


@pytest.mark.slow
def test_listener_killed_twenty_times_loses_and_doubles_nothing(tmp_path: Path) -> None:
    layday = Layday(tmp_path, sensor_lines(TOPIC, ["air_c"]))
    sensor = Sensor(layday.port)
    try:
        count = _hammer(layday, sensor, seed=1)
        assert count < 65_535, "message ids must not come round, or the test's book-keeping would"
        until(lambda: len(sensor.settled()) == count, "every message is acknowledged", 60)
        _expect_each_once(layday, count)
        assert layday.stop() < 2.0
    finally:
        sensor.close()
        layday.end()


@pytest.mark.slow
def test_broker_client_killed_twenty_times_loses_and_doubles_nothing(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        layday = Layday(tmp_path, sensor_lines(TOPIC, ["air_c"]), broker_port=broker.port)
        layday.start()  # once, so that the broker knows the session before the first message
        until(lambda: "connected" in layday.ask("check").stdout, "layday is connected")
        layday.kill()
        sensor = Sensor(broker.port)
        try:
            count = _hammer(layday, sensor, seed=2)
            until(lambda: len(sensor.settled()) == count, "the broker acknowledged every message", 60)
            _expect_each_once(layday, count)
            assert layday.stop() < 2.0
        finally:
            sensor.close()
            layday.end()


@pytest.mark.slow
def test_broker_absent_at_the_start_then_killed_and_restarted(tmp_path: Path) -> None:
    """The daemon recovers by itself and says so; what the broker took before and after is kept."""
    broker = Mosquitto(tmp_path / "broker")
    layday = Layday(tmp_path, sensor_lines(TOPIC, ["air_c"]), broker_port=broker.port)
    try:
        layday.start()
        until(
            lambda: "trying again" in layday.ask("check").stdout, "check says that the broker does not answer"
        )
        broker.start()
        until(lambda: "connected to 127.0.0.1" in layday.ask("check").stdout, "it connects by itself", 40)
        broker.publish(TOPIC, f'{{"t": {FIRST_S}, "air_c": 20.5}}')
        until(lambda: len(layday.values("keel.air_c")) == 1, "the first reading is kept")
        broker.kill()
        broker.start()

        def another_arrives() -> bool:
            broker.publish(TOPIC, f'{{"t": {FIRST_S + 1}, "air_c": 20.6}}')
            return len(layday.values("keel.air_c")) == 2

        until(another_arrives, "a reading after the broker's restart is kept", 40)
        assert list(layday.values("keel.air_c").values()) == [20.5, 20.6]
    finally:
        layday.end()
        broker.kill()


def test_mosquitto_pub_publishes_straight_to_layday(tmp_path: Path) -> None:
    import subprocess

    layday = Layday(tmp_path, sensor_lines(TOPIC, ["air_c", "humidity_pct"]))
    layday.start()
    try:
        for version in ("mqttv311", "mqttv5"):
            number = len(layday.values("keel.air_c"))
            payload = f'{{"t": {FIRST_S + number}, "air_c": 18.25, "humidity_pct": 61}}'
            subprocess.run(
                [
                    program("mosquitto_pub", "mosquitto-clients"), "-V", version, "-h", "127.0.0.1",
                    "-p", str(layday.port), "-q", "1", "-t", TOPIC, "-m", payload,
                ],
                check=True,
                timeout=20,
            )  # fmt: skip
            # mosquitto_pub has returned, so the acknowledgement came, so it is on disk
            assert len(layday.values("keel.air_c")) == number + 1
        assert list(layday.values("keel.humidity_pct").values()) == [61.0, 61.0]
    finally:
        layday.end()
