"""What the listener answers, byte for byte, and when it hangs up. Codes: OASIS MQTT 3.1.1 and 5.0."""

import time
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from collector.clock import ManualClock
from collector.listener import Limits
from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import Basket, RawClient, eventually, joined, listening

QUICK = Limits(sweep_s=0.05, connect_s=0.3, packet_s=0.5, linger_s=0.3)


def answer_to(connect: bytes, **settings: object) -> bytes:
    sink = Basket()
    with listening(sink, **settings) as listener, RawClient(listener.port) as raw:  # type: ignore[arg-type]
        raw.send(connect)
        answer = raw.packet()
        if len(answer) < 4 or answer[3]:
            assert raw.hung_up()
            assert len(sink.bad) == 1
    return answer


@pytest.mark.parametrize(
    ("connect", "answer"),
    [
        # MQTT 3.1.1 table 3.1
        (client.connect(4), b"\x20\x02\x00\x00"),
        (client.connect(4, ""), b"\x20\x02\x00\x00"),
        (client.connect(3), b"\x20\x02\x00\x01"),
        (client.connect(4, "", clean=False), b"\x20\x02\x00\x02"),
        (client.connect(4, "x" * 200), b"\x20\x02\x00\x02"),
    ],
)
def test_a_3_1_1_connect_gets_the_return_code_of_the_standard(connect: bytes, answer: bytes) -> None:
    assert answer_to(connect) == answer


@pytest.mark.parametrize(
    ("connect", "code"),
    [
        # MQTT 5.0 table 3-1
        (client.connect(5), 0x00),
        (client.connect(6), 0x84),
        (client.connect(5, "x" * 200), 0x85),
        (client.connect(5, properties=b"\x15\0\4SCRA"), 0x8C),
        (client.connect(5, properties=b"\x21\0\0"), 0x82),
        (client.connect(5, will=("w", b""), will_qos=2), 0x9B),
        (client.connect(5, will=("w/#", b"")), 0x90),
    ],
)
def test_a_5_connect_gets_the_reason_code_of_the_standard(connect: bytes, code: int) -> None:
    answer = answer_to(connect)
    assert (answer[0], answer[2], answer[3]) == (0x20, 0, code)


def test_a_malformed_3_1_1_connect_is_hung_up_on_without_a_word() -> None:
    assert answer_to(client.packet(0x10, client.text("MQTT") + b"\x04\x02\0\x3c\0\x50ab")) == b""


@pytest.mark.parametrize("version", [4, 5])
def test_pings_are_answered_in_their_turn(version: int) -> None:
    sink = Basket()
    with listening(sink) as listener, joined(listener.port, version) as raw:
        raw.send(client.PING + client.PING)
        assert raw.read(4) == b"\xd0\x00\xd0\x00"


def test_subscribe_unsubscribe_and_release_have_their_answers() -> None:
    sink = Basket()
    with listening(sink) as listener:
        with joined(listener.port, 4) as raw:
            raw.send(client.subscribe("a", "b/#") + client.unsubscribe("a") + b"\x62\x02\x00\x05")
            assert raw.packet() == b"\x90\x04\x00\x07\x80\x80"
            assert raw.packet() == b"\xb0\x02\x00\x08"
            assert raw.packet() == b"\x70\x02\x00\x05"
        with joined(listener.port, 5, properties=b"\x17\0") as raw:
            raw.send(client.subscribe("a", "b/#", version=5) + client.unsubscribe("a", version=5))
            assert raw.packet() == b"\x90\x05\x00\x07\x00\x83\xa2"
            assert raw.packet() == b"\xb0\x04\x00\x08\x00\x11"
            raw.send(b"\x62\x02\x00\x05")
            assert raw.packet() == b"\x70\x03\x00\x05\x92"


def test_no_answer_is_larger_than_an_mqtt_5_client_can_take() -> None:
    sink = Basket()
    with listening(sink) as listener, RawClient(listener.port) as raw:
        raw.send(client.connect(5, properties=b"\x27\0\0\0\x0a"))  # 10 bytes: the CONNACK is more
        raw.send(client.subscribe("a", version=5))
        assert raw.packet() == b"\x90\x04\x00\x07\x00\x83"


@pytest.mark.parametrize(
    ("sent", "code"),
    [
        # MQTT 5.0 table 3-10
        (client.publish("a", b"", version=5, qos=2), 0x9B),
        (client.publish("a/#", b"", version=5), 0x90),
        (client.publish("a\0", b"", version=5), 0x81),
        (client.publish("a", b"", version=5, properties=b"\x23\0\1"), 0x94),
        (client.connect(5), 0x82),
        (b"\xf0\x00", 0x82),
    ],
)
def test_a_5_client_that_breaks_the_rules_is_told_which(sent: bytes, code: int) -> None:
    sink = Basket()
    with listening(sink) as listener, joined(listener.port, 5) as raw:
        raw.send(sent)
        answer = raw.packet()
        assert (answer[0], answer[2]) == (0xE0, code)
        assert raw.hung_up()
    assert len(sink.bad) == 1


@pytest.mark.parametrize(
    "sent", [client.publish("a", b"", qos=2), client.publish("a/#", b""), client.connect(4), b"\xf0\x00"]
)
def test_a_3_1_1_client_that_breaks_the_rules_is_hung_up_on(sent: bytes) -> None:
    sink = Basket()
    with listening(sink) as listener, joined(listener.port, 4) as raw:
        raw.send(sent)
        assert raw.hung_up()
    assert len(sink.bad) == 1


def test_more_in_flight_than_receive_maximum_ends_a_5_connection() -> None:
    """MQTT 5.0 section 3.3.4: reason code 0x93."""
    sink = Basket()
    limits = Limits(receive_maximum=10)
    with listening(sink, acknowledges=False, limits=limits) as listener, joined(listener.port, 5) as raw:
        # in one piece, for after the tenth alone it would not be read on
        raw.send(b"".join(client.publish("t", b"", version=5, qos=1, packet_id=i) for i in range(1, 12)))
        answer = raw.packet()
        assert (answer[0], answer[2]) == (0xE0, 0x93)


def test_a_3_1_1_client_with_too_many_in_flight_is_not_read_until_some_are_acknowledged() -> None:
    sink = Basket()
    limits = Limits(receive_maximum=10)
    with listening(sink, acknowledges=False, limits=limits) as listener, joined(listener.port) as raw:
        for i in range(1, 31):
            raw.send(client.publish("t", b"", qos=1, packet_id=i))
            sink.wait(lambda s, i=i: len(s.got) >= min(i, 10))  # type: ignore[misc]
        time.sleep(0.1)
        assert len(sink.got) == 10
        listener.acknowledge([m.token for m in sink.got])
        sink.wait(lambda s: len(s.got) > 10)
        assert raw.read(40) == b"".join(b"\x40\x02\x00" + bytes([i]) for i in range(1, 11))


def test_the_bytes_that_wait_for_their_acknowledgement_are_bounded_too() -> None:
    sink = Basket()
    limits = Limits(unacked_bytes=10_000)
    with listening(sink, acknowledges=False, limits=limits) as listener, joined(listener.port) as raw:
        for i in range(1, 9):
            raw.send(client.publish("t", b"x" * 5_000, qos=1, packet_id=i))
            # one at a time up to the limit, or a single read could take in all of them
            sink.wait(lambda s, i=i: len(s.got) >= min(i, 2))  # type: ignore[misc]
        time.sleep(0.1)
        assert len(sink.got) == 2
        acknowledged = 0
        while acknowledged < 8:
            sink.wait(lambda s, seen=acknowledged: len(s.got) > seen)  # type: ignore[misc]
            fresh = sink.got[acknowledged:]
            listener.acknowledge([m.token for m in fresh])
            acknowledged += len(fresh)


def test_a_silent_client_is_closed_after_one_and_a_half_times_its_keep_alive() -> None:
    sink = Basket()
    with listening(sink, limits=QUICK) as listener:
        with joined(listener.port, 5, keep_alive_s=2, will=("w", b"gone")) as raw:
            time.sleep(1.0)
            raw.send(client.PING)
            assert raw.packet() == b"\xd0\x00"
            began_s = time.monotonic()
            assert raw.packet()[2] == 0x8D  # keep-alive timeout
            assert raw.hung_up()
            assert 2.9 < time.monotonic() - began_s < 6
        sink.wait(lambda s: [m.topic for m in s.got] == ["w"])
        assert "1 closed after silence" in listener.status().words


def test_a_client_that_asks_for_no_keep_alive_is_left_in_peace() -> None:
    sink = Basket()
    with listening(sink, limits=QUICK) as listener, joined(listener.port, 4, keep_alive_s=0) as raw:
        time.sleep(1.0)
        raw.send(client.publish("t", b"1", qos=1))
        assert raw.packet() == b"\x40\x02\x00\x01"


def test_the_same_client_id_takes_over_and_the_old_connection_is_told() -> None:
    sink = Basket()
    with listening(sink) as listener, joined(listener.port, 5, will=("w", b"gone")) as old:
        with joined(listener.port, 5) as young:
            answer = old.packet()
            assert (answer[0], answer[2]) == (0xE0, 0x8E)
            assert old.hung_up()
            young.send(client.publish("t", b"1", version=5, qos=1))
            assert young.packet() == b"\x40\x02\x00\x01"
            assert listener.status().connections == 1
        assert [m.topic for m in sink.got] == ["w", "t"]


def test_two_devices_that_share_an_id_are_named() -> None:
    sink = Basket()
    with listening(sink) as listener:
        clients = [joined(listener.port, 4, client_id="twin") for _ in range(5)]
        words = listener.status().words
        for raw in clients:
            raw.socket.close()
    assert "client id 'twin' was taken over 4 times" in words
    assert "give each its own" in words


def test_a_session_that_was_asked_for_is_found_again() -> None:
    """MQTT 5.0 section 3.2.2.1.1: a client told that it has none may drop what it had in flight."""
    sink = Basket()
    with listening(sink) as listener, RawClient(listener.port) as raw:
        raw.send(client.connect(4, "node", clean=False))
        assert raw.packet() == b"\x20\x02\x00\x00"
        raw.socket.close()
        eventually(lambda: listener.status().connections == 0)
        with RawClient(listener.port) as again:
            again.send(client.connect(4, "node", clean=False))
            assert again.packet() == b"\x20\x02\x01\x00"
        eventually(lambda: listener.status().connections == 0)
        with RawClient(listener.port) as clean:
            clean.send(client.connect(4, "node", clean=True))
            assert clean.packet() == b"\x20\x02\x00\x00"


def test_a_delayed_will_is_sent_unless_the_client_comes_back_first() -> None:
    """MQTT 5.0 section 3.1.3.2.2."""
    sink = Basket()
    delayed: dict[str, Any] = {
        "will": ("w", b"gone"),
        "will_properties": b"\x18\0\0\0\x01",
        "properties": b"\x11\0\0\0\x3c",
    }
    with listening(sink) as listener:
        joined(listener.port, 5, **delayed).socket.close()
        eventually(lambda: listener.status().connections == 0)
        with joined(listener.port, 5, clean=False):
            time.sleep(1.2)
            assert not sink.got
        joined(listener.port, 5, client_id="other", **delayed).socket.close()
        time.sleep(0.3)
        assert not sink.got
        sink.wait(lambda s: len(s.got) == 1)


def test_a_goodbye_may_ask_for_the_will() -> None:
    sink = Basket()
    with listening(sink) as listener:
        with joined(listener.port, 5, will=("w", b"gone")) as raw:
            raw.send(b"\xe0\x01\x04")
            assert raw.hung_up()
        sink.wait(lambda s: [m.topic for m in s.got] == ["w"])


def test_stopping_is_no_sensor_s_death() -> None:
    sink = Basket()
    with listening(sink) as listener, joined(listener.port, 4, will=("w", b"gone")):
        listener.stop()
        assert not sink.got


def test_messages_of_one_instant_are_a_microsecond_apart_whoever_sent_them() -> None:
    """A clock ticks coarsely: two sensors, and two packets of one of them, may fall on one reading of it."""
    sink = Basket()
    noon = datetime(2024, 3, 1, 12, tzinfo=UTC)
    with (
        listening(sink, clock=ManualClock(noon)) as listener,
        joined(listener.port, client_id="keel") as keel,
        joined(listener.port, client_id="sheer") as sheer,
    ):
        for raw in (keel, sheer, keel):
            raw.send(b"".join(client.publish("t", b"1", qos=1, packet_id=i) for i in (1, 2)))
            assert raw.read(8) == b"\x40\x02\x00\x01\x40\x02\x00\x02"
        joined(listener.port, client_id="bow", will=("w", b"gone")).socket.close()
        sink.wait(lambda s: len(s.got) == 7)
        keel.send(client.publish("t", b"1", qos=1, packet_id=3))
        assert keel.packet() == b"\x40\x02\x00\x03"
        assert listener.status().received_count == 8
    assert [m.received_at - noon for m in sink.got] == [timedelta(microseconds=i) for i in range(8)]


def test_no_two_messages_share_a_receive_time() -> None:
    """A reading without a time of its own is known by it."""
    sink = Basket()
    clock = ManualClock(datetime(2024, 3, 1, 12, tzinfo=UTC))
    with listening(sink, clock=clock) as listener, joined(listener.port) as raw:
        raw.send(b"".join(client.publish("t", b"%d" % i, qos=1, packet_id=i) for i in range(1, 101)))
        raw.read(400)
        clock.set(clock.now() - timedelta(hours=2))
        raw.send(client.publish("t", b"back", qos=1, packet_id=101))
        raw.read(4)
    times = [m.received_at for m in sink.got]
    assert len(set(times)) == 101
    assert times[:100] == sorted(times[:100])
    assert times[99] - times[0] == timedelta(microseconds=99)
    assert times[100] == datetime(2024, 3, 1, 10, tzinfo=UTC)
