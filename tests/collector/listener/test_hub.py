"""What all connections share, to the second and to the last one: who must go, what is recorded, who may come.

Time leaps here when a test says so, and the sweep runs only then: no test waits for what it counts.
"""

import socket
from contextlib import ExitStack, suppress
from datetime import UTC, datetime, timedelta

import pytest

from collector.clock import ManualClock
from collector.domain import Rejected
from collector.listener import Limits
from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import CALM, Basket, RawClient, eventually, joined, leaping, listening

NOON = datetime(2024, 3, 1, 12, tzinfo=UTC)
TOO_LARGE = b"x" * 129


def is_alive(raw: RawClient) -> bool:
    """Say whether a client that was let in still gets an answer."""
    try:
        raw.send(client.PING)
        return raw.packet() == b"\xd0\x00"
    except ConnectionError:
        return False


def test_a_keep_alive_of_100_s_ends_after_150_s_of_silence_and_not_before() -> None:
    """MQTT 5.0, section 3.1.2.10: one and a half times the keep-alive."""
    sink = Basket()
    with leaping(sink) as (listener, leap), joined(listener.port, 5, keep_alive_s=100) as raw:
        leap.sweep_at(149.9)
        assert is_alive(raw)  # and so was heard at 149.9
        leap.sweep_at(149.9 + 150.0)
        assert listener.status().connections == 1
        leap.sweep_at(149.9 + 150.1)
        assert raw.packet()[:3:2] == b"\xe0\x8d"  # DISCONNECT: keep-alive timeout
        assert listener.status().words.endswith("1 closed after silence")


def test_a_socket_has_ten_seconds_for_its_connect_to_the_second() -> None:
    sink = Basket()
    with leaping(sink, Limits(**CALM, connect_s=10.0)) as (listener, leap), RawClient(listener.port) as raw:
        eventually(lambda: len(leap.hub.sockets) == 1)
        leap.sweep_at(9.9)
        assert not sink.bad
        leap.sweep_at(10.1)
        assert [record.reason for record in sink.bad] == ["no CONNECT in time"]
        assert listener.status().words == "waiting for sensors; 1 times: no CONNECT in time"
        assert raw.hung_up()


def test_a_packet_has_two_minutes_to_arrive_and_idle_time_before_it_does_not_count() -> None:
    sink = Basket()
    with (
        leaping(sink, Limits(**CALM, packet_s=120.0)) as (listener, leap),
        joined(listener.port, keep_alive_s=0) as raw,
    ):
        leap.sweep_at(1000.0)
        raw.send(client.publish("t", b"21.5")[:-1])
        eventually(lambda: any(one.in_mid_packet for one in leap.hub.sockets))
        leap.settle()
        leap.sweep_at(1119.9)
        assert listener.status().connections == 1
        leap.sweep_at(1120.1)
        assert raw.hung_up()
    assert [record.reason for record in sink.bad] == ["a packet took too long to arrive"]


def test_who_was_told_to_go_has_its_time_to_hang_up_and_no_more() -> None:
    sink = Basket()
    with leaping(sink, Limits(**CALM, linger_s=5.0)) as (listener, leap), joined(listener.port, 5) as raw:
        raw.send(b"\xf1\x00")  # an AUTH with a flag: malformed
        assert raw.packet()[0] == 0xE0
        leap.settle()
        leap.sweep_at(4.9)
        assert len(leap.hub.sockets) == 1
        leap.sweep_at(5.1)
        eventually(lambda: not leap.hub.sockets)


def test_answers_may_lie_unread_for_as_long_as_a_packet_may_take_and_a_full_store_for_ever() -> None:
    """The first is the client's own doing, the second never is."""
    sink = Basket()
    limits = Limits(**CALM, packet_s=120.0, write_buffer_bytes=1, packets_per_s=10**9, full_sink_s=1e6)
    with leaping(sink, limits) as (listener, leap), ExitStack() as both:
        keeps, waits = (both.enter_context(joined(listener.port, client_id=name)) for name in ("a", "b"))
        unread = leap.hub.clients["a"]
        unread.transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
        keeps.socket.settimeout(0.5)
        # Until nothing goes either way: at the first stop the system may still find room for more.
        with suppress(TimeoutError):
            while True:
                keeps.send(client.PING * 10_000)
        eventually(lambda: bool(unread.hold))
        sink.has_space = False
        waits.send(client.publish("t", b"1"))
        sink.wait(lambda s: len(s.got) == 1)
        leap.sweep_at(119.9)
        assert set(leap.hub.clients) == {"a", "b"}
        leap.sweep_at(120.1)
        eventually(lambda: set(leap.hub.clients) == {"b"})
        sink.has_space = True


def publish_too_large(raw: RawClient, count: int) -> None:
    """Send messages of which none can be taken, and read their acknowledgements."""
    raw.send(b"".join(client.publish("big", TOO_LARGE, qos=1, packet_id=i + 1) for i in range(count)))
    assert len(raw.read(4 * count)) == 4 * count


def test_a_client_s_records_are_as_many_as_allowed_then_one_a_sweep_and_all_are_counted() -> None:
    sink = Basket()
    limits = Limits(**CALM, records=5)
    with (
        leaping(sink, limits, max_payload_bytes=128) as (listener, leap),
        joined(listener.port, keep_alive_s=0) as raw,
    ):
        publish_too_large(raw, 20)
        assert (len(sink.bad), listener.status().dropped_count) == (5, 20)
        leap.sweep_at(1.0)
        leap.sweep_at(2.0)
        publish_too_large(raw, 20)
        assert (len(sink.bad), listener.status().dropped_count) == (7, 40)
        for second in range(3, 30):
            leap.sweep_at(second)
        publish_too_large(raw, 20)
        assert (len(sink.bad), listener.status().dropped_count) == (12, 60)


def test_all_clients_together_have_a_bound_on_records_too() -> None:
    sink = Basket()
    limits = Limits(**CALM, record_burst=7)
    with leaping(sink, limits, max_payload_bytes=128) as (listener, _), ExitStack() as open_ones:
        for i in range(3):
            publish_too_large(open_ones.enter_context(joined(listener.port, client_id=f"node{i}")), 4)
        assert (len(sink.bad), listener.status().dropped_count) == (7, 12)


def test_a_record_shows_the_first_200_characters_of_a_topic_and_64_bytes_of_what_it_carried() -> None:
    sink = Basket()
    with leaping(sink, max_payload_bytes=128) as (listener, _), joined(listener.port) as raw:
        topic = "".join(str(i % 10) for i in range(300))
        raw.send(client.publish(topic, TOO_LARGE, qos=1))
        raw.read(4)
    assert [(one.topic, one.payload_head) for one in sink.bad] == [(topic[:200], TOO_LARGE[:64])]


def test_an_address_may_open_twice_as_many_sockets_at_once_as_there_are_places() -> None:
    """So that a shed behind one address can come back as a whole after a power cut, and once more."""
    sink = Basket()
    clock = ManualClock(NOON)
    limits = Limits(**CALM, connection_burst=1)
    with leaping(sink, limits, max_connections=10, clock=clock) as (listener, _), ExitStack() as open_ones:
        for i in range(20):
            open_ones.enter_context(joined(listener.port, client_id=f"node{i % 10}"))
        assert not sink.bad
        for _ in range(2):
            assert open_ones.enter_context(RawClient(listener.port)).hung_up()
        sink.wait(lambda s: len(s.bad) == 2)
        words = "too many connections from one address in a short time"
        status = listener.status()
        assert f"2 times: {words}" in status.words
        assert (status.connections, status.dropped_count) == (10, 2)
        source = f"listener 127.0.0.1:{listener.port} from 127.0.0.1"
        assert sink.bad == [Rejected(NOON, source, "", words, b"", 0)] * 2


def test_the_first_socket_without_a_connect_beyond_the_bound_costs_the_oldest_its_place() -> None:
    sink = Basket()
    limits = Limits(**CALM, newcomers=3)
    with leaping(sink, limits, max_connections=1) as (listener, leap), ExitStack() as open_ones:
        idle = []
        for count in range(1, 4):
            idle.append(open_ones.enter_context(RawClient(listener.port)))
            eventually(lambda count=count: len(leap.hub.sockets) == count)  # type: ignore[misc]
        open_ones.enter_context(RawClient(listener.port))
        assert idle[0].hung_up()
        eventually(lambda: len(leap.hub.sockets) == 3)
        for raw in idle[1:]:
            raw.send(client.connect(4, "node"))
            assert raw.packet() == b"\x20\x02\x00\x00"


def test_a_receive_time_goes_on_where_the_clock_was_set_back_a_little_and_follows_it_a_second_back() -> None:
    """A coarse or slewed clock stands or goes back a little; one that was set is believed."""
    sink = Basket()
    clock = ManualClock(NOON)
    with leaping(sink, clock=clock) as (_, leap):
        stamps: list[timedelta] = []

        def stamp() -> None:
            stamps.append(leap.hub.stamp(10) - NOON)

        for moved_ms in (0, 0, -998, -999.99, -2500, 0):
            clock.set(NOON + timedelta(milliseconds=moved_ms))
            leap.on_its_thread(stamp)
    tens = [timedelta(microseconds=10 * i) for i in range(3)]
    # ten messages a stamp are ten microseconds; 999.99 ms back from noon is over a second back from the last
    back = timedelta(milliseconds=-999.99)
    assert stamps == [*tens, back, timedelta(milliseconds=-2500), timedelta(0)]


def test_a_client_let_in_while_the_store_is_behind_waits_like_the_others() -> None:
    sink = Basket()
    with leaping(sink, Limits(**CALM, full_sink_s=5.0)) as (listener, leap):
        with joined(listener.port, client_id="first") as first:
            sink.has_space = False
            first.send(client.publish("t", b"1", qos=1))
            assert first.packet() == b"\x40\x02\x00\x01"
            with joined(listener.port, client_id="late") as late:
                for raw in (first, late):
                    raw.send(client.publish("t", b"2", qos=1, packet_id=2))
                leap.sweep_at(4.9)
                assert "not reading: the store is behind" in listener.status().words
                assert len(sink.got) == 1
                sink.has_space = True
                leap.sweep_at(5.1)
                for raw in (first, late):
                    assert raw.packet() == b"\x40\x02\x00\x02"
        assert "not reading" not in listener.status().words


@pytest.mark.parametrize(("version", "goodbye"), [(4, b""), (5, b"\x8b")])  # server shutting down
def test_stopping_says_goodbye_as_the_version_lets_it(version: int, goodbye: bytes) -> None:
    sink = Basket()
    with listening(sink) as listener, joined(listener.port, version) as raw, RawClient(listener.port) as new:
        listener.stop()
        assert raw.packet()[2:3] == goodbye
        assert raw.hung_up()
        assert new.hung_up()
        assert not listener.status().connected


def test_whoever_stops_the_listener_hears_when_the_last_client_has_gone_and_not_before() -> None:
    sink = Basket()
    with leaping(sink) as (listener, leap):
        joined(listener.port).socket.close()
        eventually(lambda: not leap.hub.sockets)
        with joined(listener.port, client_id="keel") as keel:
            with joined(listener.port, client_id="sheer"):
                leap.on_its_thread(leap.hub.shut)
                assert keel.hung_up()
            eventually(lambda: len(leap.hub.sockets) == 1)
            assert not leap.hub.empty.is_set()
        eventually(leap.hub.empty.is_set)
        assert not leap.hub.sockets
