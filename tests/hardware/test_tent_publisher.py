"""The simulated shed on a real mosquitto, broken and mended."""

import json
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from hardware.tent.__main__ import main
from hardware.tent.link import Link
from hardware.tent.parameters import Tent
from hardware.tent.publisher import TentPublisher
from hardware.tent.scenario import Scenario, parse_scenario
from hardware.tent.sensors import NODES
from tests.mosquitto import Mosquitto, program

START = datetime(2026, 10, 5, 6, tzinfo=UTC)
QUIET = Scenario(dropouts_per_day=0.0)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path) as broker:
        yield broker


class Listener:
    """A subscriber with a session that survives the broker's restart."""

    def __init__(self, port: int, login: tuple[str, str] | None = None) -> None:
        self.got: list[tuple[str, bytes]] = []
        self.ready = False
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, "listener", clean_session=False)
        self.client.reconnect_delay_set(1, 1)
        if login is not None:
            self.client.username_pw_set(*login)
        self.client.on_message = lambda _c, _d, m: self.got.append((m.topic, bytes(m.payload)))
        self.client.on_connect = lambda client, *_: client.subscribe("tunnel/#", qos=1) and None
        self.client.on_subscribe = lambda *_: setattr(self, "ready", True)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        _wait(lambda: self.ready)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def times(self, node: str) -> list[int]:
        """Return a node's times, each where it was seen first: a redelivery is no second reading."""
        seen = [json.loads(message)["t"] for topic, message in self.got if topic == f"tunnel/{node}/node"]
        return list(dict.fromkeys(seen))

    def statuses(self, node: str) -> list[bytes]:
        return [message for topic, message in self.got if topic == f"tunnel/{node}/status"]


def _wait(until: Callable[[], bool], within_s: float = 15.0) -> None:
    deadline_s = time.monotonic() + within_s
    while not until():
        assert time.monotonic() < deadline_s, "did not happen in time"
        time.sleep(0.02)


def test_every_reading_arrives_once_in_order_with_its_true_time_though_the_broker_restarts(
    broker: Mosquitto,
) -> None:
    listener = Listener(broker.port)
    shed = TentPublisher("127.0.0.1", broker.port, start=START, scenario=QUIET, speed=1200.0, seed=1)
    shed.start()
    _wait(lambda: shed.acked > 60)
    broker.stop()
    measured = shed.measured
    _wait(lambda: shed.measured > measured + 60)
    assert shed.waiting > 40
    broker.start()
    _wait(lambda: shed.connected and shed.waiting < 20)
    shed.stop()
    assert shed.waiting == 0
    assert shed.acked == shed.measured
    _wait(lambda: sum(len(listener.times(node)) for node in NODES) >= shed.acked)
    listener.close()
    begin_s = int(START.timestamp())
    for node in NODES:
        assert listener.times(node) == list(range(begin_s, begin_s + 60 * shed.measured // 4, 60))


def test_a_node_cut_off_is_missed_by_its_last_will_and_catches_up_afterwards(broker: Mosquitto) -> None:
    events = ["offline:keel@20m+30m", "clock-off:sheer=3600@10m"]
    scenario = parse_scenario(events, START, dropouts_per_day=0.0)
    at = [START]
    listener = Listener(broker.port)
    shed = TentPublisher("127.0.0.1", broker.port, start=START, scenario=scenario, seed=1, now=lambda: at[0])
    shed.start()
    _wait(lambda: shed.connected and shed.acked == 4)
    at[0] = START + timedelta(minutes=40)
    _wait(lambda: b"offline" in listener.statuses("keel") and len(listener.times("heater")) == 41)
    assert len(listener.times("keel")) < 41
    at[0] = START + timedelta(hours=1)
    _wait(lambda: len(listener.times("keel")) == 61)
    shed.stop()
    listener.close()
    begin_s = int(START.timestamp())
    assert listener.times("keel") == list(range(begin_s, begin_s + 3601, 60))
    assert listener.statuses("sheer")[0] == b"online"
    assert listener.times("sheer")[-1] == begin_s + 2 * 3600
    assert listener.times("sheer")[9] == begin_s + 9 * 60


def test_a_broker_that_comes_late_gets_everything(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path)
    shed = TentPublisher("127.0.0.1", broker.port, start=START, scenario=QUIET, speed=600.0)
    shed.start()
    _wait(lambda: shed.waiting >= 8)
    assert shed.acked == 0
    assert not shed.connected
    broker.start()
    _wait(lambda: shed.connected and shed.acked > 8)
    shed.stop()
    assert shed.acked == shed.measured
    broker.kill()


def test_the_nodes_log_in_and_a_wrong_password_gets_nothing_acknowledged(tmp_path: Path) -> None:
    passwords = tmp_path / "passwords"
    make = program("mosquitto_passwd", "mosquitto")
    subprocess.run([make, "-b", "-c", passwords, "tunnel", "pw"], check=True)
    broker = Mosquitto(tmp_path, f"allow_anonymous false\npassword_file {passwords}")
    broker.start()
    for password, works in (("pw", True), ("wrong", False)):
        shed = TentPublisher(
            "127.0.0.1", broker.port, username="tunnel", password=password, start=START, scenario=QUIET
        )
        shed.start()
        if works:
            _wait(lambda shed=shed: shed.acked >= 4)  # type: ignore[misc]  # bound now, as the loop goes on
        else:
            time.sleep(0.5)
            assert not shed.connected
        shed.stop()
        assert (shed.acked > 0) is works
    broker.kill()


def test_a_full_ring_drops_the_oldest_and_counts_it() -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        link = Link("keel", ("127.0.0.1", nobody.getsockname()[1]), ring=3)
        for i in range(5):
            link.put(b"%d" % i)
    assert link.waiting == 3
    assert link.lost == 2


@pytest.mark.parametrize(("wrong", "match"), [({"speed": 0.0}, "speed"), ({"period_s": 7}, "period_s")])
def test_a_clock_that_cannot_run_is_refused(wrong: dict[str, float], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        TentPublisher("127.0.0.1", 1, start=START, tent=Tent(), **wrong)  # type: ignore[arg-type]


# the command


def test_the_command_publishes_and_reports(broker: Mosquitto, capsys: pytest.CaptureFixture[str]) -> None:
    listener = Listener(broker.port)
    arguments = ["--port", str(broker.port), "--speed", "600", "--for", "1", "--break", "heater-out@0s"]
    assert main(arguments) == 0
    listener.close()
    assert "acknowledged" in capsys.readouterr().out
    assert len(listener.times("keel")) >= 8


def test_the_command_writes_a_past(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "past.csv.gz"
    assert main(["--csv", str(file), "--days", "0.25", "--start", "2026-03-01T00:00Z", "--truth"]) == 0
    assert f"{file}: 72 rows" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [(["--break", "explode@1h"], "KIND is one of"), (["--start", "2026-01-01"], "no UTC offset")],
)
def test_the_command_names_a_mistake_without_a_traceback(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(arguments)
    assert stopped.value.code == 2
    assert says in capsys.readouterr().err
