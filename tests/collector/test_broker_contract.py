"""What every way through paho must do with messages, at either version of MQTT, with a real mosquitto."""

import time
from itertools import pairwise
from random import Random

from paho.mqtt.enums import MQTTProtocolVersion

from collector.broker_wire import Wire
from tests.collector.broker_tools import (
    TOPICS,
    Make,
    Peer,
    RememberingSink,
    ScriptedBroker,
    connect,
    making_clients,
    publish_311,
    wait_until,
)
from tests.mosquitto import Mosquitto


def test_messages_arrive_in_order_with_their_flags(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.publish_lines(TOPICS[0], [str(i) for i in range(300)])
    wait_until(lambda: len(sink.got) >= 300, "all messages")
    assert sink.payloads() == [str(i) for i in range(300)]
    assert {message.topic for message in sink.got} == {TOPICS[0]}
    assert not any(message.duplicate or message.retained for message in sink.got)
    assert all(message.packet_id > 0 for message in sink.got)
    assert {message.sender for message in sink.got} == {f"127.0.0.1:{broker.port}"}
    times = [message.received_at for message in sink.got]
    assert all(a < b for a, b in pairwise(times))
    status = client.status()
    assert status.name == f"broker 127.0.0.1:{broker.port}"
    assert status.words.startswith(f"connected to 127.0.0.1:{broker.port} since ")
    assert status.words.endswith(" UTC")
    assert status.received_count == 300
    assert status.last_packet_at is not None


def test_more_topics_than_one_subscribe_carries(broker: Mosquitto, make: Make) -> None:
    topics = tuple(f"shed/bay{i}/air" for i in range(250))
    client, sink = make(broker.port, topics=topics), RememberingSink()
    connect(client, sink)
    for topic in (topics[0], topics[100], topics[249]):
        broker.publish(topic, topic)
    wait_until(
        lambda: sink.payloads() == [topics[0], topics[100], topics[249]], "first, middle and last topic"
    )


def test_retained_messages_say_so_and_come_once(
    broker: Mosquitto, make: Make, protocol: MQTTProtocolVersion
) -> None:
    """A sensor that left the shed two weeks ago still has its last message on the broker."""
    topics = tuple(f"shed/sensor{i}/air" for i in range(20))
    for topic in topics:
        broker.publish(topic, "retained", "-r")
    client, sink = make(broker.port, topics=topics), RememberingSink()
    sink.on_batch = lambda batch: client.acknowledge([message.token for message in batch])
    connect(client, sink)
    wait_until(lambda: len(sink.got) == 20, "the retained messages")
    broker.publish(topics[0], "live")
    wait_until(lambda: len(sink.got) == 21, "the live message")
    assert all(message.retained for message in sink.got[:20])
    assert not sink.got[20].retained
    client.stop()
    second, again = make(broker.port, topics=topics), RememberingSink()
    connect(second, again)
    time.sleep(0.3)
    # 3.1.1 has no way to ask for them once only (5.0, section 3.8.3.1, retain handling)
    assert [message.retained for message in again.got] == [True] * (
        20 if protocol == MQTTProtocolVersion.MQTTv311 else 0
    )


def test_a_message_beyond_the_limit_is_put_aside_and_stops_nothing(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.publish(TOPICS[0], "x" * 100_000)
    broker._pub(TOPICS[0], "-s", stdin="y" * 10_000_000)
    broker.publish(TOPICS[0], "after")
    wait_until(lambda: len(sink.got) == 2, "the two within the limit")
    assert len(sink.got[0].payload) == 100_000
    assert sink.got[1].payload == b"after"
    (item,) = sink.aside
    assert item.reason == "payload is larger than 262144 bytes"
    assert item.size_bytes == 10_000_000
    assert item.payload_head == b"y" * 256
    assert item.topic == TOPICS[0]
    assert client.status().dropped_count == 1
    client.acknowledge(sink.tokens())
    client.stop()
    second, again = make(broker.port), RememberingSink()
    connect(second, again)
    time.sleep(0.3)
    assert (again.got, again.aside) == ([], []), "what can never be stored must not come back for ever"


def test_a_full_store_stops_the_reading_but_not_the_connection(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    sink.room = False
    wait_until(lambda: "not reading, since the store has no room" in client.status().words, "the pause said")
    broker.publish_lines(TOPICS[0], [str(i) for i in range(50)])
    time.sleep(3.5)  # the broker drops a client that is silent for 1.5 keep-alives of 2 s
    assert sink.got == []
    sink.room = True
    wait_until(lambda: len(sink.got) == 50, "what came meanwhile")
    assert client.status().connections == 1
    time.sleep(1.5)
    assert client.status().connected


def test_a_topic_that_is_not_utf_8_is_put_aside_and_stops_nothing(
    wire: type[Wire], protocol: MQTTProtocolVersion
) -> None:
    """Mosquitto refuses such a topic; not every broker does."""
    empty = b"\x00" if protocol == MQTTProtocolVersion.MQTTv5 else b""
    acknowledged: list[bytes] = []

    def script(peer: Peer) -> None:
        peer.connect_level()
        peer.sock.sendall(bytes([0x20, 2 + len(empty), 0, 0]) + empty)
        _, body = peer.packet()
        peer.sock.sendall(bytes([0x90, 4 + len(empty)]) + body[:2] + empty + b"\x01\x01")
        for packet_id, topic in enumerate((b"shed/\xff\xfe", b"shed/keel/air"), 1):
            peer.sock.sendall(publish_311(topic, empty + b"20", packet_id))
        acknowledged.extend(peer.packet()[1] for _ in range(2))
        peer.packet()

    with ScriptedBroker(script) as lax, making_clients(wire, protocol) as make:
        client, sink = make(lax.port), RememberingSink()
        sink.on_batch = lambda batch: client.acknowledge([message.token for message in batch])
        connect(client, sink)
        wait_until(lambda: len(acknowledged) == 2, "both acknowledged")
        assert [(m.topic, m.payload) for m in sink.got] == [("shed/keel/air", b"20")]
        (item,) = sink.aside
        assert (item.topic, item.reason, item.payload_head) == (
            "shed/\\xff\\xfe",
            "topic is not UTF-8",
            b"20",
        )
        assert sorted(acknowledged) == [b"\x00\x01", b"\x00\x02"]


def test_every_flag_of_a_publish_is_passed_on(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.publish(TOPICS[0], "unassured", "-q", "0")
    broker.publish(TOPICS[0], "assured")
    wait_until(lambda: len(sink.got) == 2, "both")
    assert [(m.token is None, m.packet_id > 0) for m in sink.got] == [(True, False), (False, True)]


def test_packets_in_pieces_of_any_size(wire: type[Wire], protocol: MQTTProtocolVersion) -> None:
    empty = b"\x00" if protocol == MQTTProtocolVersion.MQTTv5 else b""
    random = Random(20250303)
    sizes = [0, 1, 100, 130, 20_000, 70_000, 262_144]

    def script(peer: Peer) -> None:
        peer.connect_level()
        peer.sock.sendall(bytes([0x20, 2 + len(empty), 0, 0]) + empty)
        _, body = peer.packet()
        stream = bytes([0x90, 4 + len(empty)]) + body[:2] + empty + b"\x01\x01"
        for packet_id, size in enumerate(sizes, 1):
            stream += publish_311(b"shed/keel/air", empty + b"x" * size, packet_id) + b"\xd0\x00"
        while stream:
            piece = random.choice([1, 2, 3, 50, 5000, 50_000])
            peer.sock.sendall(stream[:piece])
            stream = stream[piece:]
            time.sleep(0.001)
        peer.packet()

    with ScriptedBroker(script) as slow, making_clients(wire, protocol) as make:
        client, sink = make(slow.port), RememberingSink()
        client.start(sink)
        wait_until(lambda: len(sink.got) == len(sizes), "all messages")
        assert [len(message.payload) for message in sink.got] == sizes
        assert client.status().connections == 1
