"""Whatever comes in: counted, kept with its reason, shown by `layday check`; nothing else stops."""

import socket
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.end_to_end.layday import Layday, sensor_lines, until

TOPIC = "tunnel/keel/node"
BAD = {
    b'{"t": 1775000000, "air_c": 20.1': "broken JSON",
    b'{"t": 1775000001, "air_c": NaN}': "NaN",
    b'{"t": 1775000002, "air_c": "damp"}': "not a number",
    b'{"t": 1775000003}': "no field at /air_c",
    b'{"t": 0, "air_c": 20.1}': "before the year 2000",
    b'{"t": 4070908800, "air_c": 20.1}': "a year ahead",
    b"\xff\xfe\x00": "not UTF-8",
}


def client(port: int, name: str) -> mqtt.Client:
    peer = mqtt.Client(CallbackAPIVersion.VERSION2, name)
    peer.connect("127.0.0.1", port)
    peer.loop_start()
    return peer


@pytest.mark.slow
def test_bad_messages_are_shown_and_a_good_sensor_goes_on(tmp_path: Path) -> None:
    layday = Layday(tmp_path, sensor_lines(TOPIC, ["air_c"]))
    layday.start()
    try:
        good, bad = client(layday.port, "good"), client(layday.port, "bad")
        for payload in BAD:
            bad.publish(TOPIC, payload, qos=1).wait_for_publish(5)
        bad.publish("tunnel/elsewhere", b"20.1", qos=1).wait_for_publish(5)
        bad.publish(TOPIC, b"1" * 10_000_000, qos=1).wait_for_publish(20)
        _send_raw(layday.port, b"GET / HTTP/1.1\r\nHost: shed\r\n\r\n")
        _send_raw(layday.port, _connect_packet() + _publish_packet(b"\xff\xfe", b"20.1"))
        good.publish(TOPIC, b'{"t": 1775000009, "air_c": 19.5}', qos=1).wait_for_publish(5)
        assert list(layday.values("keel.air_c").values()) == [19.5]
        reasons = " | ".join(layday.ask_json("check")["rejected"]["counts"])
        for words in (*BAD.values(), "no sensor is configured"):
            assert words in reasons, (words, reasons)
        until(
            lambda: sum(layday.ask_json("check")["rejected"]["counts"].values()) >= len(BAD) + 4,
            "all counted",
        )
        shown = layday.ask("check").stdout
        assert "tunnel/elsewhere" in shown or "messages put aside" in shown
        sizes = [item["size_bytes"] for item in layday.ask_json("check")["rejected"]["newest"]]
        assert max(sizes) >= 10_000_000
        for peer in (good, bad):
            peer.disconnect()
            peer.loop_stop()
    finally:
        layday.end()


def _send_raw(port: int, data: bytes) -> None:
    with socket.create_connection(("127.0.0.1", port), timeout=5) as peer:
        peer.sendall(data)
        peer.settimeout(5)
        while peer.recv(100):  # until the listener hangs up
            pass


def _connect_packet() -> bytes:
    """An MQTT 3.1.1 CONNECT with client id "raw", clean session (MQTT 3.1.1 section 3.1)."""
    body = b"\x00\x04MQTT\x04\x02\x00\x3c\x00\x03raw"
    return b"\x10" + bytes([len(body)]) + body


def _publish_packet(topic: bytes, payload: bytes) -> bytes:
    """A PUBLISH at QoS 0 (MQTT 3.1.1 section 3.3)."""
    body = len(topic).to_bytes(2, "big") + topic + payload
    return b"\x30" + bytes([len(body)]) + body


def test_a_bad_configuration_names_every_mistake_and_exits_2(tmp_path: Path) -> None:
    layday = Layday(tmp_path, "[limits]\nair_min_c = 40\n[moon]\nfull = true\n")
    answer = layday.ask("now")
    assert answer.returncode == 2
    assert "limits: air_min_c (40) must be below air_max_c (30)" in answer.stderr
    assert "moon: no such setting" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_two_daemons_do_not_share_a_store(tmp_path: Path) -> None:
    layday = Layday(tmp_path, sensor_lines(TOPIC, ["air_c"]))
    layday.start()
    try:
        second = layday.ask("run")
        assert second.returncode == 3
        assert "another 'layday run' uses this store" in second.stderr
    finally:
        layday.end()
