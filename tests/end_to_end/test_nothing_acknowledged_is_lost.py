"""Real clients and a real broker that comes and goes: every acknowledged message is there once.

Kill -9 under load is in `tests.faults`.
"""

import subprocess
from pathlib import Path

import pytest

from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.mosquitto import Mosquitto, program

TOPIC = "tunnel/keel/node"
FIRST_S = 1_775_000_000


def checked(layday: Layday) -> str:
    """Return what `layday check` says, its lines joined."""
    return " ".join(layday.ask("check").stdout.split())


@pytest.mark.slow
def test_broker_absent_at_the_start_then_killed_and_restarted(tmp_path: Path) -> None:
    """The daemon recovers by itself and says so; what the broker took before and after is kept."""
    broker = Mosquitto(tmp_path / "broker")
    layday = Layday(tmp_path, sensor_lines(TOPIC, ["air_c"]), broker_port=broker.port)
    try:
        layday.start()
        until(lambda: "trying again" in checked(layday), "check says that the broker does not answer")
        broker.start()
        until(lambda: "connected to 127.0.0.1" in checked(layday), "it connects by itself", 40)
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
