"""What every way through paho must do to keep a session over restarts: acknowledge, and no more than that."""

import threading
import time
from subprocess import CalledProcessError

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
    subscribed,
    wait_until,
)
from tests.mosquitto import Mosquitto


def test_only_what_was_acknowledged_is_gone(broker: Mosquitto, make: Make) -> None:
    first, sink = make(broker.port), RememberingSink()
    connect(first, sink)
    broker.publish_lines(TOPICS[0], [str(i) for i in range(10)])
    wait_until(lambda: len(sink.got) == 10, "ten messages")
    first.acknowledge(sink.tokens()[:6])
    first.stop()
    second, again = make(broker.port), RememberingSink()
    second.start(again)
    wait_until(lambda: len(again.got) == 4, "the four not acknowledged")
    time.sleep(0.2)
    assert again.payloads() == ["6", "7", "8", "9"]
    assert all(message.duplicate for message in again.got)


def test_messages_sent_while_away_are_kept_by_the_broker(broker: Mosquitto, make: Make) -> None:
    first = make(broker.port)
    connect(first, RememberingSink())
    first.stop()
    broker.publish_lines(TOPICS[1], [str(i) for i in range(2000)])
    second, sink = make(broker.port), RememberingSink()
    sink.on_batch = lambda batch: second.acknowledge([message.token for message in batch])
    second.start(sink)
    wait_until(lambda: len(sink.got) == 2000, "all that was sent meanwhile")
    assert sink.payloads() == [str(i) for i in range(2000)]


def test_nothing_is_wrongly_acknowledged_after_the_broker_restarts(broker: Mosquitto, make: Make) -> None:
    """Packet ids start at 1 again: acknowledging the old ones would drop messages nobody has stored."""
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.publish_lines(TOPICS[0], [f"old {i}" for i in range(100)])
    wait_until(lambda: len(sink.got) == 100, "the first hundred")
    stale = sink.tokens()
    broker.kill()
    broker.forget()  # as under Debian's setting, which saves every half hour
    wait_until(lambda: not client.status().connected, "the loss noticed")
    broker.start()
    wait_until(lambda: subscribed(client), "connected again")
    broker.publish_lines(TOPICS[0], [f"new {i}" for i in range(100)])
    wait_until(lambda: sum(p.startswith("new") for p in sink.payloads()) == 100, "the second hundred")
    first_new = {m.packet_id for m in sink.got if m.payload.startswith(b"new")}
    assert first_new & {m.packet_id for m in sink.got[:100]}, "the ids must overlap, or this tests nothing"
    client.acknowledge(stale)
    client.stop()
    second, again = make(broker.port), RememberingSink()
    second.start(again)
    wait_until(lambda: sum(p.startswith("new") for p in again.payloads()) == 100, "the second hundred again")


def test_a_restart_in_mid_stream_loses_nothing(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    sink.on_batch = lambda batch: client.acknowledge([message.token for message in batch])
    connect(client, sink)

    def publish() -> None:
        for start in range(0, 3000, 500):
            again = True
            while again:
                try:
                    broker.publish_lines(TOPICS[0], [str(i) for i in range(start, start + 500)])
                    again = False
                except CalledProcessError:  # it, too, may find the broker absent
                    time.sleep(0.1)

    publisher = threading.Thread(target=publish)
    publisher.start()
    wait_until(lambda: len(sink.got) > 700, "the stream")
    broker.stop()
    broker.start()
    publisher.join(60)
    wait_until(lambda: set(sink.payloads()) >= {"2999"}, "the end of the stream", 20)
    assert {int(p) for p in sink.payloads()} == set(range(3000))
    assert client.status().connections >= 2


def test_it_subscribes_again_when_the_broker_has_lost_the_session(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.kill()
    broker.forget()
    wait_until(lambda: not client.status().connected, "the loss noticed")
    broker.start()
    wait_until(lambda: subscribed(client), "connected again")
    broker.publish(TOPICS[1], "7")
    wait_until(lambda: sink.payloads() == ["7"], "a message over the renewed subscription")


def test_a_restart_of_layday_with_more_topics_subscribes_to_them(broker: Mosquitto, make: Make) -> None:
    """The session is still there, but it knows only the old topics."""
    first = make(broker.port, topics=TOPICS[:1])
    connect(first, RememberingSink())
    first.stop()
    second, sink = make(broker.port), RememberingSink()
    connect(second, sink)
    broker.publish(TOPICS[1], "new sensor")
    wait_until(lambda: sink.payloads() == ["new sensor"], "the added topic")


def test_stop_is_quick_and_flushes_acknowledgements(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.publish_lines(TOPICS[0], [str(i) for i in range(500)])
    wait_until(lambda: len(sink.got) == 500, "the messages")
    client.acknowledge(sink.tokens())
    began_s = time.monotonic()
    client.stop()
    assert time.monotonic() - began_s < 1.0
    assert client.status().words == "stopped"
    second, again = make(broker.port), RememberingSink()
    connect(second, again)
    time.sleep(0.3)
    assert again.got == []
    assert "Received DISCONNECT from layday" in broker.log()


def test_an_idle_connection_stays_up_by_pings(broker: Mosquitto, make: Make) -> None:
    client = make(broker.port)
    connect(client, RememberingSink())
    time.sleep(3.5)
    assert client.status().connections == 1
    assert client.status().connected
    assert "PINGREQ" in broker.log()


def test_a_frozen_broker_is_noticed_and_found_again(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.freeze()
    wait_until(lambda: not client.status().connected, "the silence noticed", 12)
    assert "broker has been silent for 3 s" in client.status().words or "does not" in client.status().words
    broker.thaw()
    wait_until(lambda: client.status().connected, "connected again", 25)
    broker.publish(TOPICS[0], "1")
    wait_until(lambda: sink.payloads() == ["1"], "a message")


def test_acknowledging_twice_does_not_acknowledge_a_later_message(broker: Mosquitto, make: Make) -> None:
    """Packet ids come round again within a connection, too."""
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.publish(TOPICS[0], "first")
    wait_until(lambda: len(sink.got) == 1, "a message")
    token = sink.tokens()[0]
    client.acknowledge([token, token])
    client.acknowledge([token])
    wait_until(lambda: "Received PUBACK" in broker.log(), "the acknowledgement")
    time.sleep(0.2)
    assert broker.log().count("Received PUBACK from layday") == 1


def test_a_message_that_an_older_session_wants_exactly_once_is_completed(
    wire: type[Wire], protocol: MQTTProtocolVersion
) -> None:
    """Layday asks for QoS 1; another program may have asked for 2 under its id (3.1.1, figure 4.3)."""
    empty = b"\x00" if protocol == MQTTProtocolVersion.MQTTv5 else b""
    seen: list[tuple[int, bytes]] = []

    def script(peer: Peer) -> None:
        peer.connect_level()
        peer.sock.sendall(bytes([0x20, 2 + len(empty), 0, 0]) + empty)
        _, body = peer.packet()
        peer.sock.sendall(bytes([0x90, 4 + len(empty)]) + body[:2] + empty + b"\x01\x01")
        twice = publish_311(b"shed/keel/air", empty + b"20", 9)
        peer.sock.sendall(bytes([0x34]) + twice[1:])
        seen.append(peer.packet())
        peer.sock.sendall(b"\x62\x02\x00\x09")
        seen.append(peer.packet())
        peer.packet()

    with ScriptedBroker(script) as broker, making_clients(wire, protocol) as make:
        client, sink = make(broker.port), RememberingSink()
        sink.on_batch = lambda batch: client.acknowledge([message.token for message in batch])
        connect(client, sink)
        wait_until(lambda: len(seen) == 2, "PUBREC and PUBCOMP")
        assert sink.payloads() == ["20"]
        assert seen == [(5, b"\x00\x09"), (7, b"\x00\x09")]


def test_acknowledgements_never_land_amid_another_packet(
    wire: type[Wire], protocol: MQTTProtocolVersion
) -> None:
    """The broker does not read for a while, so that a long SUBSCRIBE is half written when messages come."""
    empty = b"\x00" if protocol == MQTTProtocolVersion.MQTTv5 else b""
    topics = tuple(f"shed/{i}/{'x' * 4000}" for i in range(4000))
    seen: list[int] = []

    def script(peer: Peer) -> None:
        peer.connect_level()
        peer.sock.sendall(bytes([0x20, 2 + len(empty), 0, 0]) + empty)
        time.sleep(0.3)
        for packet_id in range(1, 11):
            peer.sock.sendall(publish_311(b"shed/keel/air", empty + b"20", packet_id))
            time.sleep(0.01)
        time.sleep(0.3)
        while True:
            seen.append(peer.packet()[0])

    with ScriptedBroker(script) as slow, making_clients(wire, protocol) as make:
        client, sink = make(slow.port, topics=topics, keep_alive_s=60), RememberingSink()
        sink.on_batch = lambda batch: client.acknowledge([message.token for message in batch])
        client.start(sink)
        wait_until(lambda: len(seen) == 50, "40 times SUBSCRIBE and 10 times PUBACK")
        assert sorted(seen) == [4] * 10 + [8] * 40
