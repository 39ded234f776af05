"""Failures 3, 4 and 8, and the clash of ids: a broker that restarts, hangs up, or drops its queue."""

import socket
import subprocess
import time
from pathlib import Path

import pytest

from collector.broker_wire import Deliveries
from tests.collector import test_broker_sessions as sessions
from tests.collector.broker_tools import Peer, ScriptedBroker, making_clients
from tests.end_to_end.layday import until
from tests.faults import broken
from tests.faults.support import (
    TOPIC,
    at_us,
    connected,
    daemon_word,
    expect_each_once,
    expecting_failure_if,
    installation,
    reading,
    running,
    sound_and,
    source_words,
)
from tests.mosquitto import Mosquitto, program


@sound_and("subscribes_once")
def test_it_subscribes_again_after_a_broker_restart_that_lost_the_session(
    tmp_path: Path, defect: str
) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        layday = installation(tmp_path, defect, broker_port=broker.port)
        with running(layday):
            connected(layday)
            broker.kill()
            broker.forget()
            broker.start()
            until(lambda: daemon_word(layday)["sources"][0]["connections"] == 2, "connected again")
            connected(layday)
            broker.publish(TOPIC, reading(1).decode())
            with expecting_failure_if(defect):
                until(lambda: at_us(1) in layday.values("keel.air_c"), "the next reading", 5)


@sound_and("no_back_off", "silent_about_clashes")
def test_reconnects_without_data_are_slow_and_are_said(tmp_path: Path, defect: str) -> None:
    """Something accepts each connection and ends it at once, as a clash of ids or a bad proxy does."""
    visits: list[float] = []

    def script(peer: Peer) -> None:
        level = peer.connect_level()
        peer.sock.sendall(b"\x20\x03\x00\x00\x00" if level == 5 else b"\x20\x02\x00\x00")
        visits.append(time.monotonic())
        peer.sock.shutdown(socket.SHUT_RDWR)

    with ScriptedBroker(script) as rude:
        layday = installation(tmp_path, defect, broker_port=rude.port)
        with running(layday), expecting_failure_if(defect):
            until(lambda: len(visits) >= 6, "it tries again")
            until(lambda: "connections end as soon as they begin" in source_words(layday), "it says so", 5)
            before = len(visits)
            time.sleep(3.0)
            assert len(visits) - before <= 30, "ten connections a second"
            health = layday.ask("check")
            assert health.returncode != 0, health.stdout


@sound_and("silent_about_clashes")
def test_a_second_client_under_our_id_is_named(tmp_path: Path, defect: str) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        layday = installation(tmp_path, defect, broker_port=broker.port)
        sub = [program("mosquitto_sub", "mosquitto-clients"), "-p", str(broker.port), "-i", "layday"]
        with running(layday):
            connected(layday)
            rival = subprocess.Popen([*sub, "-V", "mqttv5", "-t", "x"], stdout=subprocess.DEVNULL)
            try:
                with expecting_failure_if(defect):
                    until(lambda: "uses the id 'layday'" in source_words(layday), "the clash is named", 6)
            finally:
                rival.kill()
                rival.wait()


TEMPLATE = Path(__file__).parents[2] / "hardware" / "broker" / "mosquitto.conf"
QUEUE_LINES = ("max_queued_messages", "max_inflight_messages", "autosave_interval")
BURST = 3000


@pytest.mark.parametrize("defect", ["", "mosquitto's own limits"])
def test_the_broker_template_s_queue_holds_while_layday_is_away(tmp_path: Path, defect: str) -> None:
    """With mosquitto's default of 1000 queued messages the rest of a burst is dropped without a word."""
    lines = [line for line in TEMPLATE.read_text().splitlines() if line.startswith(QUEUE_LINES)]
    assert len(lines) == len(QUEUE_LINES)
    settings = "\n".join(["allow_anonymous true", "persistence true", *([] if defect else lines)])
    with Mosquitto(tmp_path / "broker", settings) as broker:
        layday = installation(tmp_path, broker_port=broker.port)
        with running(layday):
            connected(layday)
        broker.publish_lines(TOPIC, [reading(n).decode() for n in range(BURST)])
        with running(layday), expecting_failure_if(defect):
            expect_each_once(layday, BURST, 10.0)


def test_stale_message_ids_acknowledge_nothing_after_a_broker_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The contract of the broker source checks it for each wire and version; here it is seen to fail."""
    before = Deliveries.settle
    broken.acknowledges_stale_ids()
    try:
        with Mosquitto(tmp_path / "broker") as broker, making_clients() as make, expecting_failure_if("so"):
            sessions.test_nothing_is_wrongly_acknowledged_after_the_broker_restarts(broker, make)
    finally:
        monkeypatch.setattr(Deliveries, "settle", before)
