"""Failure 2: the network thread dies, and the process looks alive for ever."""

import os
import signal
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
    source_words,
)
from tests.mosquitto import Mosquitto


@sound_and("no_watchdog")
def test_a_dead_network_thread_is_replaced_and_said(tmp_path: Path, defect: str) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        layday = installation(tmp_path, defect, broker_port=broker.port, help_by="hurry,killer")
        with running(layday):
            connected(layday)
            os.kill(layday.pid, signal.SIGUSR1)
            with expecting_failure_if(defect):
                until(lambda: "network thread restarted" in source_words(layday), "the restart is said", 8)
                broker.publish(TOPIC, reading(1).decode())
                until(lambda: at_us(1) in layday.values("keel.air_c"), "the next reading is kept", 8)
