"""Real clients: paho in both versions of MQTT, and mosquitto_pub."""

import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.listener import Listener
from tests.collector.listener.support import Basket, eventually, listening

if TYPE_CHECKING:
    from paho.mqtt.properties import Properties
    from paho.mqtt.reasoncodes import ReasonCode

VERSIONS = [MQTTProtocolVersion.MQTTv311, MQTTProtocolVersion.MQTTv5]
by_version = pytest.mark.parametrize("version", VERSIONS, ids=["v311", "v5"])


class Paho:
    """A paho client with its network thread, and what it was told."""

    def __init__(self, version: MQTTProtocolVersion, client_id: str = "node") -> None:
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id, protocol=version)
        self.client.max_inflight_messages_set(1000)
        self.connected: list[tuple[ReasonCode, Properties | None]] = []
        self.published: list[tuple[int, ReasonCode]] = []
        self.disconnected: list[ReasonCode] = []
        self.subscribed: list[list[ReasonCode]] = []
        self.client.on_connect = lambda _c, _u, _f, reason, properties: self.connected.append(
            (reason, properties)
        )
        self.client.on_publish = lambda _c, _u, mid, reason, _p: self.published.append((mid, reason))
        self.client.on_disconnect = lambda _c, _u, _f, reason, _p: self.disconnected.append(reason)
        self.client.on_subscribe = lambda _c, _u, _m, reasons, _p: self.subscribed.append(reasons)


@contextmanager
def connected(version: MQTTProtocolVersion, listener: Listener, client_id: str = "node") -> Iterator[Paho]:
    node = Paho(version, client_id)
    node.client.connect("127.0.0.1", listener.port)
    node.client.loop_start()
    try:
        eventually(lambda: bool(node.connected))
        yield node
    finally:
        node.client.disconnect()
        node.client.loop_stop()


def mosquitto_pub(listener: Listener, *args: str, check: bool = True) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(listener.port), *args],
        check=check,
        capture_output=True,
        text=True,
        timeout=20,
    )


@by_version
@pytest.mark.parametrize("qos", [0, 1])
def test_paho_publishes_and_every_message_arrives_in_order(version: MQTTProtocolVersion, qos: int) -> None:
    sink = Basket()
    with listening(sink) as listener, connected(version, listener, "keel-node") as node:
        for i in range(500):
            node.client.publish("shed/keel/air", f"{i}", qos=qos)
        sink.wait(lambda s: len(s.got) == 500)
        if qos:
            eventually(lambda: len(node.published) == 500)
    assert [m.payload for m in sink.got] == [b"%d" % i for i in range(500)]
    assert {(m.topic, m.sender, m.duplicate, m.retained) for m in sink.got} == {
        ("shed/keel/air", "keel-node", False, False)
    }
    assert all((m.token is not None) == bool(qos) for m in sink.got)
    assert not sink.bad


@by_version
def test_the_acknowledgement_comes_only_after_acknowledge(version: MQTTProtocolVersion) -> None:
    sink = Basket()
    with listening(sink, acknowledges=False) as listener, connected(version, listener) as node:
        for i in range(10):
            node.client.publish("t", f"{i}", qos=1)
        sink.wait(lambda s: len(s.got) == 10)
        time.sleep(0.3)
        assert node.published == []
        listener.acknowledge([m.token for m in sink.got[:4]])
        eventually(lambda: len(node.published) == 4)
        time.sleep(0.1)
        assert len(node.published) == 4
        listener.acknowledge([m.token for m in sink.got[4:]])
        eventually(lambda: len(node.published) == 10)


@by_version
def test_what_was_not_acknowledged_is_sent_again_and_marked(version: MQTTProtocolVersion) -> None:
    sink = Basket()
    with listening(sink, acknowledges=False) as listener, connected(version, listener) as node:
        node.client.reconnect_delay_set(1, 1)
        node.client.publish("t", "21.5", qos=1)
        sink.wait(lambda s: len(s.got) == 1)
        stale = sink.got[0].token
        first, *_ = list(listener._hub.clients.values()) if listener._hub else []
        listener._loop.call_soon_threadsafe(first.transport.abort)  # type: ignore[union-attr]
        sink.wait(lambda s: len(s.got) == 2)
        listener.acknowledge([stale])
        time.sleep(0.2)
        assert node.published == []
        listener.acknowledge([sink.got[1].token])
        eventually(lambda: len(node.published) == 1)
    first_got, again = sink.got
    assert (again.payload, again.sender, again.packet_id) == (b"21.5", "node", first_got.packet_id)
    assert (first_got.duplicate, again.duplicate) == (False, True)


@by_version
def test_a_subscribe_is_refused_and_the_client_stays(version: MQTTProtocolVersion) -> None:
    sink = Basket()
    with listening(sink) as listener, connected(version, listener) as node:
        node.client.subscribe([("shed/#", 1), ("shed/keel", 0), ("$share/g/shed", 0)])
        eventually(lambda: bool(node.subscribed))
        node.client.unsubscribe("shed/#")
        node.client.publish("t", "still here", qos=1)
        eventually(lambda: len(node.published) == 1)
    [reasons] = node.subscribed
    assert all(reason.is_failure for reason in reasons)
    if version == MQTTProtocolVersion.MQTTv5:  # codes of MQTT 5.0 table 3-8
        assert [reason.value for reason in reasons] == [0xA2, 0x83, 0x9E]


def test_mqtt_5_clients_are_told_what_is_offered() -> None:
    sink = Basket()
    with (
        listening(sink, max_payload_bytes=1000) as listener,
        connected(MQTTProtocolVersion.MQTTv5, listener, "") as node,
    ):
        [(reason, offered)] = node.connected
    assert reason == 0
    assert offered is not None
    terms = offered.json()  # type: ignore[no-untyped-call]
    assert terms.pop("AssignedClientIdentifier").startswith("auto-")
    assert terms == {
        "MaximumQoS": 1,
        "ReceiveMaximum": 4000,
        "MaximumPacketSize": 1000 + 65536,
        "TopicAliasMaximum": 0,
        "RetainAvailable": 1,
        "WildcardSubscriptionAvailable": 0,
        "SubscriptionIdentifierAvailable": 0,
        "SharedSubscriptionAvailable": 0,
    }


@pytest.mark.parametrize("version", ["mqttv311", "mqttv5"])
@pytest.mark.parametrize("qos", ["0", "1"])
def test_mosquitto_pub_is_served(version: str, qos: str) -> None:
    sink = Basket()
    with listening(sink) as listener:
        mosquitto_pub(listener, "-V", version, "-q", qos, "-t", "a/é", "-m", "21.5", "--repeat", "20")
        mosquitto_pub(listener, "-V", version, "-q", qos, "-r", "-t", "state", "-m", "on")
        sink.wait(lambda s: len(s.got) == 21)
    assert {(m.topic, m.payload) for m in sink.got} == {("a/é", b"21.5"), ("state", b"on")}
    assert not any(m.retained for m in sink.got)
    assert not sink.bad


@pytest.mark.parametrize("version", ["mqttv311", "mqttv5"])
def test_mosquitto_pub_at_qos_2_is_told_no_and_recorded(version: str) -> None:
    sink = Basket()
    with listening(sink) as listener:
        said = mosquitto_pub(listener, "-V", version, "-q", "2", "-t", "a", "-m", "1", check=False)
        assert not sink.got
    if version == "mqttv5":
        assert "QoS not supported" in said.stderr  # the client reads Maximum QoS and doesn't even try
    else:
        assert sink.bad[0].reason == "a message at QoS 2; publish at QoS 0 or 1"
        assert sink.bad[0].topic == "a"


def test_mosquitto_pub_pipes_lines_through_one_connection() -> None:
    sink = Basket()
    lines = "".join(f"{i}\n" for i in range(2000))
    with listening(sink) as listener:
        subprocess.run(
            ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(listener.port), "-q", "1", "-t", "t", "-l"],
            input=lines,
            text=True,
            check=True,
            timeout=20,
        )
    assert [int(m.payload) for m in sink.got] == list(range(2000))


def test_a_client_that_dies_leaves_its_will_and_one_that_says_goodbye_does_not() -> None:
    sink = Basket()
    with listening(sink) as listener:
        mosquitto_pub(
            listener, "-t", "t", "-m", "1", "--will-topic", "w", "--will-payload", "gone", "-i", "polite"
        )
        options = ["-i", "keel-node", "--will-topic", "keel/state", "--will-payload", "gone"]
        dying = subprocess.Popen(
            ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(listener.port), "-t", "t", "-l", *options],
            stdin=subprocess.PIPE,
        )
        assert dying.stdin is not None
        dying.stdin.write(b"2\n")
        dying.stdin.flush()
        sink.wait(lambda s: len(s.got) == 2)  # it has said who it is and published
        dying.kill()
        dying.communicate()
        sink.wait(lambda s: len(s.got) == 3)
    will = sink.got[2]
    assert (will.topic, will.payload, will.token, will.sender) == ("keel/state", b"gone", None, "keel-node")


@by_version
def test_stop_sends_the_acknowledgements_given_and_takes_under_a_second(version: MQTTProtocolVersion) -> None:
    sink = Basket()
    with listening(sink, acknowledges=False) as listener, connected(version, listener) as node:
        for i in range(200):
            node.client.publish("t", f"{i}", qos=1)
        sink.wait(lambda s: len(s.got) == 200)
        listener.acknowledge([m.token for m in sink.got])
        began_s = time.monotonic()
        listener.stop()
        assert time.monotonic() - began_s < 1.0  # what a source promises
        eventually(lambda: len(node.published) == 200)
        eventually(lambda: bool(node.disconnected))
        if version == MQTTProtocolVersion.MQTTv5:
            assert node.disconnected[0] == 0x8B  # server shutting down
        assert not listener.status().connected
        assert "listener" not in {thread.name for thread in threading.enumerate()}
