"""What a client may take: size, time, sockets, memory; and that the others never notice."""

import contextlib
import random
import socket
import threading
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.clock import ManualClock, SystemClock
from collector.errors import SourceError
from collector.listener import Limits, Listener
from collector.source_config import ListenerConfig
from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import Basket, RawClient, eventually, joined, listening

QUICK = Limits(sweep_s=0.05, connect_s=0.3, packet_s=0.5, linger_s=0.3)
NOON = datetime(2024, 3, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("version", "answer"),
    [(4, b"\x40\x02\x00\x02"), (5, b"\x40\x03\x00\x02\x97")],  # 0x97: quota exceeded
)
def test_a_10_mb_payload_is_recorded_acknowledged_and_the_next_message_arrives(
    version: int, answer: bytes
) -> None:
    sink = Basket()
    size = 10_000_000
    clock = ManualClock(NOON)
    with listening(sink, clock=clock) as listener, joined(listener.port, version) as raw:
        raw.send(client.publish("big", b"x" * size, version=version, qos=1, packet_id=2))
        raw.send(client.publish("t", b"21.5", version=version, qos=1, packet_id=3))
        assert raw.packet() == answer
        assert raw.packet() == b"\x40\x02\x00\x03"
        assert [m.payload for m in sink.got] == [b"21.5"]
        [record] = sink.bad
        assert (record.topic, record.size_bytes, record.payload_head) == ("big", size, b"x" * 64)
        assert record.reason == "the payload is larger than max_payload_bytes"
        assert record.source == f"listener 127.0.0.1:{listener.port} from 'node' at 127.0.0.1"
        assert record.received_at == NOON
        assert listener.status().dropped_count == 1


def test_an_oversized_message_is_acknowledged_after_those_before_it() -> None:
    """MQTT 5.0 statement 4.6.0-2: acknowledgements keep the order of the messages."""
    sink = Basket()
    with (
        listening(sink, acknowledges=False, max_payload_bytes=128) as listener,
        joined(listener.port) as raw,
    ):
        raw.send(client.publish("t", b"1", qos=1, packet_id=1))
        raw.send(client.publish("big", b"x" * 129, qos=1, packet_id=2))
        raw.send(client.publish("t", b"3", qos=1, packet_id=3))
        sink.wait(lambda s: len(s.got) == 2)
        raw.socket.settimeout(0.2)
        with pytest.raises(TimeoutError):
            raw.packet()
        raw.socket.settimeout(10)
        listener.acknowledge([m.token for m in sink.got])
        assert sorted(raw.packet() for _ in range(3)) == [b"\x40\x02\x00%c" % i for i in (1, 2, 3)]


def test_a_payload_of_exactly_the_limit_is_taken() -> None:
    sink = Basket()
    with listening(sink, max_payload_bytes=1000) as listener, joined(listener.port) as raw:
        raw.send(client.publish("t", b"x" * 1000, qos=1))
        assert raw.packet() == b"\x40\x02\x00\x01"
        raw.send(client.publish("t", b"x" * 1001, qos=1))
        assert raw.packet() == b"\x40\x02\x00\x01"
    assert [len(m.payload) for m in sink.got] == [1000]
    assert [r.size_bytes for r in sink.bad] == [1001]


def test_a_will_is_taken_up_to_the_same_limit() -> None:
    sink = Basket()
    with listening(sink, max_payload_bytes=128) as listener:
        for size in (128, 129):
            joined(listener.port, 4, f"node {size}", will=("w", b"x" * size)).socket.close()
        sink.wait(lambda s: len(s.got) + len(s.bad) == 2)
    assert [(m.sender, len(m.payload)) for m in sink.got] == [("node 128", 128)]
    assert [(one.topic, one.size_bytes) for one in sink.bad] == [("w", 129)]
    assert "'node 129'" in sink.bad[0].source


def test_a_busy_sensor_whose_reads_end_amid_packets_is_not_a_slow_one() -> None:
    """Each packet is whole in good time, though there is always one that has begun."""
    sink = Basket()
    with listening(sink, limits=QUICK) as listener, joined(listener.port) as raw:
        stream = b"".join(client.publish("t", b"%03d" % i, qos=1, packet_id=i) for i in range(1, 25))
        size = len(stream) // 24
        raw.send(stream[: size // 2])
        for begun in range(size // 2, len(stream), size):
            time.sleep(0.05)
            raw.send(stream[begun : begun + size])
        assert len(raw.read(4 * 24)) == 4 * 24
    assert len(sink.got) == 24


def test_a_sensor_that_waits_for_the_store_is_not_too_slow() -> None:
    """It is not read meanwhile, so nothing that is late is its own doing."""
    sink = Basket()
    with listening(sink, limits=QUICK) as listener, joined(listener.port) as raw:
        sink.has_space = False
        raw.send(client.publish("t", b"1", qos=1, packet_id=1))
        assert raw.packet() == b"\x40\x02\x00\x01"
        raw.send(client.publish("t", b"2", qos=1, packet_id=2))
        time.sleep(1.0)  # twice what a packet may take
        sink.has_space = True
        assert raw.packet() == b"\x40\x02\x00\x02"


def test_who_is_sent_away_in_mid_speech_still_hears_why() -> None:
    """A socket closed with bytes unread is reset, and takes the last answer with it (RFC 1122, 4.2.2.13)."""
    sink = Basket()
    with listening(sink) as listener, joined(listener.port, 5) as raw:
        with contextlib.suppress(ConnectionError):
            raw.send(b"\xf1\x00" + bytes(1_000_000))
        assert raw.packet()[0] == 0xE0
        assert raw.socket.recv(1) == b""


def test_who_stays_after_the_goodbye_is_hung_up_on() -> None:
    """It may still send for a moment, so that it can read why it must go; then its socket is taken away."""
    sink = Basket()
    with listening(sink, limits=QUICK) as listener, joined(listener.port, 5) as raw:
        raw.send(b"\xf1\x00")  # an AUTH with a flag: malformed
        assert raw.packet()[0] == 0xE0
        assert not is_gone(raw)
        eventually(lambda: is_gone(raw))


def is_gone(raw: RawClient) -> bool:
    """Say whether the listener has taken the socket away: sending fails."""
    try:
        raw.send(client.PING)
    except ConnectionError:
        return True
    return False


def test_a_client_that_only_sends_what_is_too_large_fills_no_log() -> None:
    sink = Basket()
    limits = Limits(records=5)
    with (
        listening(sink, limits=limits, max_payload_bytes=128) as listener,
        joined(listener.port) as raw,
    ):
        for i in range(1, 101):
            raw.send(client.publish("big", b"x" * 200, qos=1, packet_id=i))
        raw.read(400)
        assert listener.status().dropped_count == 100
    assert 5 <= len(sink.bad) <= 10


GARBAGE = {
    "http": b"GET /metrics HTTP/1.1\r\nHost: shed\r\n\r\n",
    "tls": bytes.fromhex("16030100f8010000f40303") + bytes(240),
    "ssh": b"SSH-2.0-OpenSSH_9.2\r\n",
    "zeros": bytes(5000),
    "another protocol": b"\x10\x0c\0\4AMQP\4\2\0\x3c\0\0",
    "a bad length": b"\x10\xff\xff\xff\xff\xff",
    "noise": random.Random(4).randbytes(3000),
}


@pytest.mark.parametrize("sent", GARBAGE.values(), ids=GARBAGE.keys())
def test_garbage_on_the_port_closes_that_connection_is_recorded_once_and_disturbs_nobody(sent: bytes) -> None:
    sink = Basket()
    with listening(sink) as listener, joined(listener.port) as good:
        with RawClient(listener.port) as raw, contextlib.suppress(ConnectionError):
            raw.send(sent)
            raw.send(sent)
            assert raw.hung_up()
        good.send(client.publish("t", b"1", qos=1))
        assert good.packet() == b"\x40\x02\x00\x01"
        sink.wait(lambda s: len(s.bad) == 1)
        assert sink.bad[0].reason in listener.status().words
    assert len(sink.bad) == 1


@pytest.mark.parametrize(
    ("topic", "shown", "reason"),
    [
        (b"shed/\xff\xfe", "shed/\\xff\\xfe", "the topic is not UTF-8"),
        (b"shed/+/air", "shed/+/air", "the topic has a wildcard (+ or #) in it"),
    ],
)
def test_a_bad_topic_is_recorded_with_what_it_carried(topic: bytes, shown: str, reason: str) -> None:
    sink = Basket()
    with listening(sink) as listener, joined(listener.port) as raw:
        raw.send(client.publish("t", b"before") + client.publish(topic, b'{"temp": 21.5}'))
        assert raw.hung_up()
        sink.wait(lambda s: len(s.bad) == 1 and len(s.got) == 1)
    [record] = sink.bad
    assert (record.topic, record.reason) == (shown, reason)
    assert (record.payload_head, record.size_bytes) == (b'{"temp": 21.5}', 14)


def test_a_broken_connect_leaves_no_trace_of_its_password() -> None:
    sink = Basket()
    sent = client.connect(4, "node", user="keel", password=b"tack-strip")
    with listening(sink) as listener, RawClient(listener.port) as raw:
        raw.send(sent[:1] + bytes([sent[1] + 1]) + sent[2:] + b"!")
        assert raw.hung_up()
    assert b"tack" not in sink.bad[0].payload_head
    assert "tack" not in repr(sink.bad)


def test_who_connects_and_says_nothing_is_closed() -> None:
    sink = Basket()
    with listening(sink, limits=QUICK) as listener, RawClient(listener.port) as raw:
        assert raw.hung_up()
        sink.wait(lambda s: len(s.bad) == 1)
    assert sink.bad[0].reason == "no CONNECT in time"


def test_who_sends_a_byte_now_and_then_is_closed_before_and_after_its_connect() -> None:
    sink = Basket()

    def drip(raw: RawClient, data: bytes) -> None:
        with contextlib.suppress(ConnectionError):
            for byte in data:
                raw.send(bytes([byte]))
                time.sleep(0.05)

    with listening(sink, limits=QUICK) as listener:
        with RawClient(listener.port) as raw:
            drip(raw, client.connect(4, "slow" * 10))
            assert raw.hung_up()
        with joined(listener.port) as raw:
            drip(raw, client.publish("t", b"x" * 25))
            assert raw.hung_up()
        sink.wait(lambda s: len(s.bad) == 2)
        eventually(lambda: listener.status().connections == 0)
    assert [r.reason for r in sink.bad] == ["no CONNECT in time", "a packet took too long to arrive"]
    assert not sink.got


def test_more_clients_than_places_are_turned_away_but_a_known_one_may_come_back() -> None:
    sink = Basket()
    with listening(sink, max_connections=3) as listener:
        inside = [joined(listener.port, 4, client_id=f"node{i}") for i in range(3)]
        for version, code in ((4, 3), (5, 0x97)):
            with RawClient(listener.port) as late:
                late.send(client.connect(version, "late"))
                assert late.packet()[3] == code
                assert late.hung_up()
        inside.append(joined(listener.port, 4, client_id="node0"))
        assert listener.status().connections == 3
        assert "2 times: all max_connections places are taken" in listener.status().words
        inside[1].socket.close()
        eventually(lambda: listener.status().connections == 2)
        inside.append(joined(listener.port, 4, client_id="late"))
        for raw in inside:
            raw.socket.close()


def test_sockets_that_never_connect_can_t_keep_a_sensor_out() -> None:
    sink = Basket()
    with listening(sink, max_connections=5, limits=Limits(newcomers=10)) as listener:
        idle = [RawClient(listener.port) for _ in range(40)]
        with joined(listener.port) as raw:
            raw.send(client.publish("t", b"1", qos=1))
            assert raw.packet() == b"\x40\x02\x00\x01"
        eventually(lambda: listener._hub is not None and len(listener._hub.sockets) <= 11)
        for one in idle:
            one.socket.close()


def test_without_room_in_the_sink_nothing_is_read_and_then_all_of_it() -> None:
    sink = Basket()
    count = 20_000
    payload = b"x" * 100

    def publish_all(raw: RawClient) -> None:
        raw.send(b"".join(client.publish("t", payload, qos=0) for _ in range(count)))

    with listening(sink) as listener, joined(listener.port, keep_alive_s=1) as raw:
        sink.has_space = False
        thread = threading.Thread(target=publish_all, args=(raw,))
        thread.start()
        time.sleep(2.5)  # longer than the keep-alive: a client that is not read can't be blamed
        held = len(sink.got)
        assert held < 2_000
        assert "not reading: the store is behind" in listener.status().words
        with RawClient(listener.port) as late:
            late.send(client.connect(4, "late"))
            assert late.packet() == b"\x20\x02\x00\x00"
        sink.has_space = True
        sink.wait(lambda s: len(s.got) == count)
        thread.join()
        assert "not reading" not in listener.status().words
    assert not sink.bad


def test_a_client_that_never_fetches_its_answers_costs_little_and_goes() -> None:
    sink = Basket()
    with (
        listening(sink, limits=replace(QUICK, packets_per_s=10**9)) as listener,
        RawClient(listener.port, receive_buffer=4096) as raw,
    ):
        raw.send(client.connect())

        def ping_without_end() -> None:
            while True:
                raw.send(client.PING * 100_000)

        with pytest.raises(ConnectionError):
            ping_without_end()
        eventually(lambda: listener.status().connections == 0)
        assert listener._hub is not None
        assert not listener._hub.sockets


def test_stale_and_foreign_times_of_acknowledging_do_no_harm() -> None:
    sink = Basket()
    with listening(sink, acknowledges=False) as listener:
        with joined(listener.port) as raw:
            raw.send(client.publish("t", b"1", qos=1, packet_id=1))
            sink.wait(lambda s: len(s.got) == 1)
        eventually(lambda: listener.status().connections == 0)
        with joined(listener.port) as raw:
            raw.send(client.publish("t", b"2", qos=1, packet_id=1))
            sink.wait(lambda s: len(s.got) == 2)
            listener.acknowledge([sink.got[0].token])  # the same packet id, another connection
            raw.socket.settimeout(0.2)
            with pytest.raises(TimeoutError):
                raw.packet()
    listener.acknowledge([m.token for m in sink.got])


def test_neither_files_nor_threads_leak() -> None:
    def open_files() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    files, threads = open_files(), threading.active_count()
    for _ in range(5):
        sink = Basket()
        with listening(sink, limits=QUICK) as listener:
            before = open_files()
            for i in range(60):
                raw = joined(listener.port, 4 + i % 2, client_id=f"node{i}")
                if i % 3 == 0:
                    raw.send(client.publish("t", b"1", version=4 + i % 2, qos=1))
                elif i % 3 == 1:
                    raw.send(b"\xff\xff\xff")
                raw.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
                raw.socket.close()
            eventually(lambda before=before: open_files() == before)  # type: ignore[misc]
    assert open_files() == files
    assert threading.active_count() == threads


def test_a_port_that_is_taken_is_named_with_what_to_do() -> None:
    with listening(Basket()) as listener:
        other = Listener(ListenerConfig(port=listener.port), SystemClock())
        with pytest.raises(
            SourceError, match=rf"listener 127.0.0.1:{listener.port}: the port is taken; stop"
        ):
            other.start(Basket())


def test_a_host_that_is_not_ours_is_named() -> None:
    other = Listener(ListenerConfig().model_copy(update={"host": "192.0.2.1"}), SystemClock())  # RFC 5737
    with pytest.raises(SourceError, match="this computer has no such address"):
        other.start(Basket())
    assert not other.status().connected
    other.stop()
