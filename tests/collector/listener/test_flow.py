"""When a client's socket is read and when not, to the last message, byte and packet.

Whoever is not read keeps what is its own: the network slows it down.
"""

from collector.listener import Limits
from collector.listener.connection import Hold
from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import CALM, Basket, eventually, joined, leaping


def messages(first: int, count: int, payload: bytes = b"1") -> bytes:
    """Publish packets at QoS 1, numbered from `first` on."""
    return b"".join(client.publish("t", payload, qos=1, packet_id=first + i) for i in range(count))


def test_a_client_is_read_again_once_half_of_the_messages_allowed_in_flight_are_acknowledged() -> None:
    sink = Basket()
    with (
        leaping(sink, Limits(**CALM, receive_maximum=10), acknowledges=False) as (listener, leap),
        joined(listener.port) as raw,
    ):
        raw.send(messages(1, 9))
        sink.wait(lambda s: len(s.got) == 9)
        assert not leap.hub.clients["node"].hold
        raw.send(messages(10, 1))
        sink.wait(lambda s: len(s.got) == 10)
        raw.send(messages(11, 1))
        listener.acknowledge([message.token for message in sink.got[:4]])
        leap.settle()
        assert leap.hub.clients["node"].hold == Hold.UNACKED
        assert len(sink.got) == 10
        listener.acknowledge([sink.got[4].token])
        sink.wait(lambda s: len(s.got) == 11)


def test_a_client_is_read_again_once_half_of_the_bytes_allowed_in_flight_are_acknowledged() -> None:
    sink = Basket()
    with (
        leaping(sink, Limits(**CALM, unacked_bytes=1000), acknowledges=False) as (listener, leap),
        joined(listener.port) as raw,
    ):
        raw.send(messages(1, 9, b"x" * 100) + messages(10, 1, b"x" * 99))
        sink.wait(lambda s: len(s.got) == 10)
        assert not leap.hub.clients["node"].hold
        raw.send(messages(11, 1))  # one byte more is the thousandth
        sink.wait(lambda s: len(s.got) == 11)
        raw.send(messages(12, 1))
        listener.acknowledge([message.token for message in sink.got[:4]])
        leap.settle()
        assert leap.hub.clients["node"].hold == Hold.UNACKED
        assert len(sink.got) == 11
        listener.acknowledge([sink.got[4].token])
        sink.wait(lambda s: len(s.got) == 12)


def test_an_mqtt_5_client_may_have_just_as_many_in_flight_as_it_was_told() -> None:
    """MQTT 5.0, section 3.3.4: only more than Receive Maximum is an error."""
    sink = Basket()
    with (
        leaping(sink, Limits(**CALM, receive_maximum=10), acknowledges=False) as (listener, leap),
        joined(listener.port, 5) as raw,
    ):
        raw.send(b"".join(client.publish("t", b"", version=5, qos=1, packet_id=i) for i in range(1, 11)))
        sink.wait(lambda s: len(s.got) == 10)
        leap.settle()
        assert listener.status().connections == 1
        listener.acknowledge([message.token for message in sink.got])
        assert len(raw.read(40)) == 40


def test_packets_of_two_seconds_may_come_at_once_and_more_wait_until_they_are_paid_off() -> None:
    sink = Basket()
    with (
        leaping(sink, Limits(**CALM, packets_per_s=100)) as (listener, leap),
        joined(listener.port, keep_alive_s=0) as raw,  # its CONNECT was the first packet
    ):
        raw.send(messages(1, 199))
        assert len(raw.read(4 * 199)) == 4 * 199
        leap.settle()
        assert not leap.hub.clients["node"].hold
        raw.send(messages(200, 50))
        assert len(raw.read(4 * 50)) == 4 * 50
        leap.settle()
        assert leap.hub.clients["node"].hold == Hold.TOO_FAST
        raw.send(messages(250, 1))
        leap.sweep_at(0.49)  # fifty packets at a hundred a second are half a second
        assert len(sink.got) == 249
        leap.sweep_at(0.51)
        assert raw.packet() == b"\x40\x02\x00\xfa"


def test_a_client_that_is_not_read_for_two_reasons_is_read_when_both_are_gone() -> None:
    sink = Basket()
    limits = Limits(**CALM, receive_maximum=2, full_sink_s=1.0)
    with (
        leaping(sink, limits, acknowledges=False) as (listener, leap),
        joined(listener.port, keep_alive_s=0) as raw,
    ):
        for room_first in (True, False):
            done = len(sink.got)
            sink.has_space = False
            raw.send(messages(1, 2))
            sink.wait(lambda s, done=done: len(s.got) == done + 2)  # type: ignore[misc]
            raw.send(messages(3, 1))
            leap.settle()
            assert leap.hub.clients["node"].hold == Hold.UNACKED | Hold.SINK_FULL
            for is_room in (room_first, not room_first):
                assert len(sink.got) == done + 2
                if is_room:
                    sink.has_space = True
                    leap.sweep_at(10.0 if room_first else 20.0)
                else:
                    listener.acknowledge([message.token for message in sink.got[done:]])
                leap.settle()
            eventually(lambda done=done: len(sink.got) == done + 3)  # type: ignore[misc]
            listener.acknowledge([sink.got[-1].token])
