"""Alarms beside a real daemon: told, answered from another machine, and heard of when layday itself dies."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.clock import QuickClock, SystemClock
from collector.domain import Reading
from collector.store.opening import open_store
from dashboards.notify.alarm_file import open_alarm_file
from dashboards.notify.message import Message, Weight
from dashboards.notify.outbox import Outbox, State, put
from tests.dashboards.notify.servers import WebServer
from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.end_to_end.test_outlook import QUANTITIES, TOPIC, child_of, with_readings
from tests.mosquitto import Mosquitto, free_port, program


def channels(url: str) -> str:
    return (
        '[notify]\nfirst = ["hook", "yard"]\nquiet_from = ""\nquiet_to = ""\n'
        f'[[channel]]\nname = "hook"\nkind = "webhook"\nurl = "{url}"\n'
        '[[channel]]\nname = "yard"\nkind = "mqtt"\n'
    )


def retained(broker: Mosquitto, topic: str) -> Any:  # noqa: ANN401  JSON
    """Return what the broker keeps on a topic, None where that is nothing."""
    heard = subprocess.run(
        [program("mosquitto_sub", "mosquitto-clients"), "-p", str(broker.port), "-C", "1", "-W", "2",
         "-t", f"layday/tunnel/{topic}"],
        capture_output=True, check=False,
    ).stdout  # fmt: skip
    return json.loads(heard) if heard.strip() else None


def state(broker: Mosquitto) -> str:
    word = retained(broker, "watch")
    return word["state"] if word else ""


def with_gas(layday: Layday, co_ppm: float) -> None:
    """Let a carbon monoxide sensor in the keel's bay read something now."""
    now = SystemClock().now()
    store = open_store(layday.store)
    store.add([Reading("keel.co_ppm", now, co_ppm, now)])
    store.close()


def watcher(pid: int) -> int:
    """Return the process that watches, of a daemon's processes."""
    return child_of(pid, "dashboards.notify.service") or 0


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """The yard's broker."""
    with Mosquitto(tmp_path / "broker", port=free_port()) as broker:
        yield broker


@pytest.fixture
def server() -> Iterator[WebServer]:
    """A web address that takes messages."""
    with WebServer() as server:
        yield server


@pytest.fixture
def shed(tmp_path: Path, broker: Mosquitto, server: WebServer) -> Iterator[Layday]:
    """A shed that tells a web address and the yard's broker."""
    shed = Layday(tmp_path, sensor_lines(TOPIC, QUANTITIES) + channels(server.url), broker_port=broker.port)
    with_readings(shed, 3.0)
    yield shed
    shed.end()


@pytest.mark.slow
def test_gas_is_told_and_answered_over_the_broker(shed: Layday, broker: Mosquitto, server: WebServer) -> None:
    with_gas(shed, 60.0)
    shed.start()
    until(lambda: server.got, f"a message: {shed.log.read_text()}", 40.0)
    message = server.got[0][3]
    assert message["head"] == "CARBON MONOXIDE 60 ppm in keel: do not go in"
    assert message["weight"] == "urgent"
    until(lambda: (retained(broker, "alarms") or {"alarms": []})["alarms"], "the alarm on the broker")
    (alarm,) = shed.ask_json("alarms")["alarms"]
    assert (alarm["name"], alarm["standing"]) == ("a1", "raised")
    broker.publish("layday/tunnel/alarms/ack", "a1")
    until(lambda: shed.ask_json("alarms")["alarms"][0]["standing"] == "acknowledged", "the answer", 10.0)
    lines = shed.ask_json("alarms", "history")["lines"]
    assert lines[0]["by"] == "mqtt"
    assert 0 <= lines[0]["answer_s"] < 60
    assert len(server.got) == 1
    assert "sent by hook" in shed.ask("alarms", "messages").stdout
    assert shed.ask_json("alarms", "messages")["messages"][0]["state"] == "sent"
    assert shed.ask_json("alarms", "ack", "a1")["answered"] == []
    assert shed.ask_json("notify", "test")["channels"][0]["outcome"] == "sent"


@pytest.mark.slow
def test_the_broker_tells_of_a_death_a_hang_and_a_planned_stop(shed: Layday, broker: Mosquitto) -> None:
    shed.start()
    until(lambda: state(broker) == "on", "the watch is on", 30.0)
    shed.kill()
    until(lambda: state(broker) == "no word", "the last will after kill -9", 5.0)
    shed.start()
    until(lambda: state(broker) == "on", "the watch is on again", 30.0)
    pid = watcher(shed.pid)
    os.kill(pid, signal.SIGSTOP)
    try:
        until(lambda: state(broker) == "no word", "the last will after a hang", 30.0)
    finally:
        os.kill(pid, signal.SIGCONT)
    until(lambda: state(broker) == "on", "it goes on after the hang", 30.0)
    os.kill(pid, signal.SIGKILL)
    until(lambda: watcher(shed.pid) not in {0, pid} and state(broker) == "on", "another one watches", 30.0)
    shed.stop()
    until(lambda: state(broker) == "off", "off as planned", 5.0)


_COURIER = """
import sys, time
from datetime import datetime, timedelta
from pathlib import Path
from collector.clock import QuickClock
from collector.notify_config import ChannelConfig
from dashboards.notify.alarm_file import open_alarm_file
from dashboards.notify.courier import Courier, Letterhead
from dashboards.notify.outbox import Outbox
from dashboards.notify.senders.http import WebhookSender
from dashboards.view import Reader

path, url, start, speed = sys.argv[1:]
clock = QuickClock(datetime.fromisoformat(start), float(speed))
sender = WebhookSender(ChannelConfig(name="hook", kind="webhook", url=url), 2.0)
courier = Courier(Outbox(open_alarm_file(Path(path))), 0, [("hook", sender)], clock,
                  Letterhead("tunnel", Reader()))
courier.start()
print("ready", flush=True)
time.sleep(600)
"""


@contextmanager
def _courier(path: Path, port: int, clock: QuickClock, speed: float) -> Iterator[None]:
    """Run a courier in a process of its own, and kill it in the end."""
    with subprocess.Popen(
        [sys.executable, "-c", _COURIER, str(path), f"http://127.0.0.1:{port}/",
         clock.now().isoformat(), str(speed)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        try:
            assert process.stdout is not None
            process.stdout.readline()
            yield
        finally:
            process.kill()


def test_six_hours_offline_and_a_kill_in_between(tmp_path: Path) -> None:
    """An hour passes in a second; nobody answers for six hours, and the courier is killed after three.

    What is to arrive lasts for weeks, minutes by the machine's clock: however slow it is, it is in time.
    """
    path, port, speed = tmp_path / "a.sqlite", free_port(), 3600.0
    start = SystemClock().now()
    clock = QuickClock(start, speed)

    file = open_alarm_file(path)
    assert file is not None
    lasts_h = {"stale-1": 2, "stale-2": 5, "valid-1": 900, "valid-2": 900}
    with file.writing() as con:
        for key, hours in lasts_h.items():
            until_at = start + timedelta(hours=hours)
            put(con, Message(key, key, "head", "text", Weight.USUAL, start, until_at), [0])
    with _courier(path, port, clock, speed):
        while clock.now() - start < timedelta(hours=3):
            time.sleep(0.1)
    assert [one.state for one in Outbox(file).all()].count(State.SENT) == 0
    with _courier(path, port, clock, speed):
        while clock.now() - start < timedelta(hours=6):
            time.sleep(0.1)
        with WebServer(port) as server:
            done = (State.SENT, State.EXPIRED)
            until(lambda: all(one.state in done for one in Outbox(file).all()), "all are sent or expired", 15)
            time.sleep(1.5)  # would anything come twice?
            got = [(body["key"], body["text"]) for _, _, _, body in server.got]
    assert sorted(key for key, _ in got) == ["valid-1", "valid-2"]
    assert all(text.startswith("LATE: written at") for _, text in got)
    states = {one.message.key: one.state for one in Outbox(file).all()}
    assert states["stale-1"] is State.EXPIRED
    assert states["stale-2"] is State.EXPIRED
    file.close()
