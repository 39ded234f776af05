"""Failure 5: messages that can never be kept are never acknowledged, and fill the in-flight window."""

from pathlib import Path

from tests.end_to_end.layday import until
from tests.faults.support import (
    TOPIC,
    at_us,
    connected,
    expecting_failure_if,
    installation,
    reading,
    running,
    sound_and,
)
from tests.mosquitto import Mosquitto

WINDOW = 10


@sound_and("acknowledges_good_ones_only")
def test_bad_messages_never_fill_the_in_flight_window(tmp_path: Path, defect: str) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        layday = installation(tmp_path, defect, broker_port=broker.port)
        config = layday.config.read_text()
        layday.config.write_text(config.replace("[broker]\n", f"[broker]\nmax_inflight = {WINDOW}\n"))
        with running(layday), expecting_failure_if(defect):
            connected(layday)
            broker.publish_lines(TOPIC, ["damp"] * (3 * WINDOW))
            broker.publish(TOPIC, reading(1).decode())
            until(lambda: at_us(1) in layday.values("keel.air_c"), "the good reading after the bad ones", 5)
