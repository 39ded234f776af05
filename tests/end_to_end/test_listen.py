"""`layday listen` beside a real broker, a real daemon and real publishers; its output is run with."""

import json
import os
import subprocess
import time
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from threading import Thread

import pytest

from collector.config import load_config
from collector.store.opening import open_store
from tests.collector.sparkplug_bytes import double, metric, payload, single, uint64
from tests.end_to_end.layday import COMMAND, Layday, sensor_lines, until
from tests.mosquitto import Mosquitto, free_port, program


def _publish(port: int, topic: str, data: str | bytes, *options: str) -> None:
    pub = program("mosquitto_pub", "mosquitto-clients")
    raw = data.encode() if isinstance(data, str) else data
    command = [pub, "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", topic, "-s", *options]
    subprocess.run(command, input=raw, check=True, timeout=20)


def _shed(port: int) -> None:
    """Sensors of six shapes, each as its maker thought best."""
    now_s = int(time.time())  # noqa: TID251  a sensor's own clock
    _publish(port, "yard/keel/temperature", "18.5")
    _publish(port, "yard/keel/humidity", "64 %")
    _publish(port, "yard/sheer/temperature_f", "50")
    _publish(port, "yard/heater/state", "ON")
    node = {"ts": now_s, "air": {"temp": 68.5, "rh": 61}, "part": {"temp": 16.9}, "battery": 3.01}
    _publish(port, "yard/node7/json", json.dumps(node))
    pack = [
        {"bn": "urn:dev:mac:0024be:", "n": "temp", "u": "Cel", "v": 17.5},
        {"n": "rh", "u": "%RH", "v": 66},
    ]
    _publish(port, "yard/bow/senml", json.dumps(pack))
    birth = [
        metric("bdSeq", datatype=8, value=uint64(1)),
        metric("air_temperature", alias=1, datatype=9, value=single(15.5)),
    ]
    at_ms = now_s * 1000
    _publish(port, "spBv1.0/yard/NBIRTH/stern", payload(birth, at_ms=at_ms, seq=0))
    data = payload([metric(alias=1, value=double(15.75))], at_ms=at_ms + 1, seq=1)
    _publish(port, "spBv1.0/yard/NDATA/stern", data)
    _publish(port, "yard/odd", "neither fish nor flesh")


EXPECTED = {
    "keel.air_c": 18.5,
    "keel.humidity_pct": 64.0,
    "sheer.air_c": 10.0,  # 50 °F
    "heater.on": 1.0,
    "node7.air_c": (68.5 - 32) / 1.8,  # told to be °F, since no shed is 68 °C
    "node7.humidity_pct": 61.0,
    "node7.part_c": 16.9,
    "node7.battery_v": 3.01,
    "bow.air_c": 17.5,
    "bow.humidity_pct": 66.0,
    "stern.air_c": 15.75,
    "stern.online": 1.0,
}


def newest(store_path: Path) -> dict[str, float]:
    with closing(open_store(store_path, read_only=True)) as store:
        spans = store.sensors()
        return {
            name: float(store.window(name, s.first_at, s.last_at + timedelta(microseconds=1)).values[-1])
            for name, s in spans.items()
        }


def _listen(folder: Path, *words: str, config: Path | None = None) -> "subprocess.Popen[str]":
    named = ["--config", str(config)] if config else []
    env = {
        **os.environ,
        "XDG_CONFIG_HOME": str(folder),
        "XDG_DATA_HOME": str(folder),
        "PYTHONUNBUFFERED": "1",
    }
    return subprocess.Popen(
        [*COMMAND, *named, "listen", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=env,
        cwd=Path(__file__).parents[2],
    )


def _first_line(process: "subprocess.Popen[str]") -> str:
    assert process.stdout is not None
    return process.stdout.readline()


def test_what_it_prints_at_a_broker_is_a_configuration_that_works(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        listening = _listen(tmp_path, "--for", "4", "--broker", f"127.0.0.1:{broker.port}")
        first = _first_line(listening)
        assert first.startswith("# Listening for 4 s to the broker"), listening.communicate()[1]
        until(lambda: "SUBACK to layday-listen-" in broker.log(), "it has subscribed")
        _shed(broker.port)
        rest, errors = listening.communicate(timeout=30)
        assert listening.returncode == 0, errors
        assert "yard/odd" in rest
        layday = Layday(tmp_path, "", broker_port=broker.port)
        layday.config.write_text(f'{first}{rest}\n[store]\npath = "layday.sqlite"\n')  # pasted, and no more
        assert set(EXPECTED) - {"stern.online"} <= set(load_config(layday.config).sensors)
        layday.start()
        try:
            until(lambda: "Received SUBSCRIBE from layday\n" in broker.log(), "the daemon has subscribed")
            _shed(broker.port)
            exact = pytest.approx(EXPECTED, rel=1e-9)
            until(lambda: newest(tmp_path / "layday.sqlite") == exact, "all sensors are heard, and rightly")
            assert layday.ask_json("check")["rejected"]["counts"] == {}
        finally:
            layday.end()


def test_it_leaves_a_running_daemon_and_its_session_alone(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        layday = Layday(tmp_path, sensor_lines("yard/keel/node", ["air_c"]), broker_port=broker.port)
        layday.start()
        try:
            listening = _listen(tmp_path, "--for", "2", "--json", config=layday.config)
            until(lambda: "SUBACK to layday-listen-" in broker.log(), "it has subscribed")
            for number in range(200):
                broker.publish("yard/keel/node", f'{{"t": {1775183398 + number}, "air_c": {number / 10}}}')
                if listening.poll() is not None:
                    break
            answer = json.loads(listening.communicate(timeout=30)[0])
            until(lambda: len(layday.values("keel.air_c")) == number + 1, "the daemon lost none of them")
            assert answer["schema"] == "layday/listen/1"
            (topic,) = answer["topics"]
            assert topic["messages"] > 5
            assert [one["configured"] for one in topic["fields"]] == ["", "keel.air_c"]
            assert answer["configuration"] == ""
            log = broker.log()
            assert "already connected" not in log
            assert "Received PUBACK from layday-listen" not in log
            assert layday.ask_json("check")["daemon"]["well"]
        finally:
            layday.end()


def test_with_a_daemon_and_no_broker_it_tells_what_was_put_aside(tmp_path: Path) -> None:
    layday = Layday(tmp_path, sensor_lines("yard/keel/node", ["air_c"]))
    layday.start()
    try:
        _publish(layday.port, "yard/sheer/temperature", "12.5")
        listening = _listen(tmp_path, "--for", "2", config=layday.config)
        first = _first_line(listening)
        assert "what layday run has put aside" in first
        _publish(layday.port, "yard/bow/node", '{"rh": 64, "temp": 14.5}')
        text, errors = listening.communicate(timeout=30)
        assert listening.returncode == 0, errors
        layday.stop()
        layday.config.write_text(layday.config.read_text() + first + text)
        layday.start()
        _publish(layday.port, "yard/sheer/temperature", "12.25")
        _publish(layday.port, "yard/bow/node", '{"rh": 63, "temp": 14.25}')
        expected = {"sheer.air_c": 12.25, "bow.air_c": 14.25, "bow.humidity_pct": 63.0}
        until(lambda: newest(tmp_path / "layday.sqlite") == expected, "both are readings now")
    finally:
        layday.end()


def test_without_a_daemon_it_stands_in_for_it_and_keeps_what_it_acknowledges(tmp_path: Path) -> None:
    layday = Layday(tmp_path, sensor_lines("yard/keel/node", ["air_c"]))
    listening = _listen(tmp_path, "--for", "3", config=layday.config)
    assert "in layday run's place" in _first_line(listening)
    sensors = [
        Thread(target=_publish, args=(layday.port, "yard/keel/node", '{"t": 1775183398, "air_c": 18.5}')),
        Thread(target=_publish, args=(layday.port, "yard/sheer/temperature", "12.5")),
    ]
    for sensor in sensors:
        sensor.start()
    text, errors = listening.communicate(timeout=30)
    for sensor in sensors:
        sensor.join()
    assert listening.returncode == 0, errors
    assert list(layday.values("keel.air_c").values()) == [18.5]
    assert 'topic = "yard/sheer/temperature"' in text
    assert "keel.air_c already" in text


def test_a_broker_that_is_not_there_is_said_in_words(tmp_path: Path) -> None:
    listening = _listen(tmp_path, "--for", "1", "--broker", f"127.0.0.1:{free_port()}")
    _, errors = listening.communicate(timeout=30)
    assert listening.returncode == 3
    assert "cannot be reached" in errors
    listening = _listen(tmp_path, "--broker", "here:there")
    _, errors = listening.communicate(timeout=30)
    assert listening.returncode == 2
    assert "write HOST or HOST:PORT" in errors
