"""The broker client: what it says, how it tries again, and who watches it."""

import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.broker_retry import Backoff, EndKind, Pace
from collector.broker_wire import Deliveries
from collector.clock import ManualClock
from collector.errors import SourceError
from tests.collector.broker_tools import (
    QUICK,
    TOPICS,
    Make,
    Peer,
    RememberingSink,
    ScriptedBroker,
    connack_311,
    connect,
    making_clients,
    publish_311,
    subscribed,
    wait_until,
)
from tests.mosquitto import Mosquitto, free_port, program


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as running:
        yield running


@pytest.fixture
def make() -> Iterator[Make]:
    with making_clients() as build:
        yield build


def test_an_absent_broker_is_waited_for(tmp_path: Path, make: Make) -> None:
    port = free_port()
    client, sink = make(port, pace=Pace(base_s=3.0, cap_s=3.0)), RememberingSink()
    client.start(sink)
    wait_until(lambda: "refused" in client.status().words, "the refusal said")
    assert client.status().words.startswith("broker does not answer (connection refused); trying again ")
    assert not client.status().connected
    with Mosquitto(tmp_path / "late", port=port) as broker:
        wait_until(lambda: subscribed(client), "connected")
        broker.publish(TOPICS[0], "21.5")
        wait_until(lambda: sink.payloads() == ["21.5"], "the message")


def test_a_wrong_password_is_said_and_tried_again_slowly(tmp_path: Path, make: Make) -> None:
    broker = Mosquitto(tmp_path / "broker", f"allow_anonymous false\npassword_file {tmp_path}/users")
    secret = tmp_path / "secret"
    secret.write_text("wrong\nsecond line\n", encoding="utf-8")
    hash_password(tmp_path / "users", "layday", "right")
    with broker:
        client = make(broker.port, username="layday", password_file=str(secret))
        client.start(RememberingSink())
        wait_until(lambda: "refuses" in client.status().words, "the refusal")
        assert client.status().words.startswith("broker refuses user 'layday' (")
        assert "check broker.username and broker.password_file; trying again" in client.status().words
        assert "wrong" not in client.status().words
        secret.write_text("right\n", encoding="utf-8")
        wait_until(lambda: client.status().connected, "connected once the file is right")
    with pytest.raises(SourceError, match=r"password_file .*gone cannot be read: No such file"):
        make(broker.port, username="layday", password_file=str(tmp_path / "gone")).start(RememberingSink())


def hash_password(path: Path, user: str, password: str) -> None:
    tool = program("mosquitto_passwd", "mosquitto")
    subprocess.run([tool, "-c", "-b", str(path), user, password], check=True, capture_output=True)


def test_a_second_client_under_the_same_id_is_noticed(broker: Mosquitto, make: Make) -> None:
    one, two = make(broker.port, client_id="yard"), make(broker.port, client_id="yard")
    connect(one, RememberingSink())
    two.start(RememberingSink())
    words = "another client uses the id 'yard' on this broker and pushes us out; give one another client_id"
    wait_until(lambda: words in one.status().words, "the clash said")


# the death of the thread is the point; pytest reports every thread that ends by an exception
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_dead_network_thread_is_replaced(
    broker: Mosquitto, make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    broker.publish_lines(TOPICS[0], ["1", "2", "3"])
    wait_until(lambda: len(sink.got) == 3, "three messages")
    stale = sink.tokens()
    assert client._link is not None
    monkeypatch.setattr(client._link._client, "loop_misc", die)
    wait_until(lambda: client.status().connections == 2, "another thread, another connection")
    assert "network thread restarted 1 times" in client.status().words
    client.acknowledge(stale)
    wait_until(lambda: len(sink.got) == 6, "the three again: they were never acknowledged")
    broker.publish(TOPICS[0], "after")
    wait_until(lambda: sink.payloads()[-1] == "after", "a message through the new thread")


def die() -> None:
    raise SystemExit


def test_a_hanging_network_thread_is_replaced(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port, pace=replace(QUICK, hang_extra_s=0.5)), RememberingSink()
    connect(client, sink)
    release = threading.Event()

    def hang(_batch: object) -> None:
        release.wait(20)

    sink.on_batch = hang
    broker.publish(TOPICS[0], "1")
    wait_until(lambda: client.status().connections == 2, "another connection")
    sink.on_batch = lambda _batch: None
    wait_until(lambda: sink.payloads() == ["1", "1"], "the message again, beside the hanging thread")
    release.set()
    wait_until(lambda: len(network_threads()) == 2, "the old thread gone: network and watchdog are left")
    assert client.status().connected
    assert "network thread restarted 1 times" in client.status().words


def test_an_exception_from_the_sink_ends_the_connection_not_the_thread(broker: Mosquitto, make: Make) -> None:
    client, sink = make(broker.port), RememberingSink()
    connect(client, sink)
    thread = client._worker

    def stumble(_batch: object) -> None:
        sink.on_batch = lambda _batch: None
        raise RuntimeError("a bug")

    sink.on_batch = stumble
    broker.publish(TOPICS[0], "1")
    wait_until(lambda: len(sink.got) == 2, "the message again on the next connection")
    assert sink.got[1].duplicate
    assert client._worker is thread


def test_stop_is_quick_while_the_broker_is_absent_or_frozen(broker: Mosquitto, make: Make) -> None:
    absent, frozen = make(free_port()), make(broker.port)
    connect(frozen, RememberingSink())
    absent.start(RememberingSink())
    broker.freeze()
    for client in (absent, frozen):
        began_s = time.monotonic()
        client.stop()
        assert time.monotonic() - began_s < 1.0


def network_threads() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name.startswith("broker ")]


def open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def test_many_lives_leave_no_thread_and_no_file_behind(broker: Mosquitto, make: Make) -> None:
    def life() -> None:
        client = make(broker.port)
        connect(client, RememberingSink())
        client.stop()

    life()
    wait_until(lambda: not network_threads(), "no thread of ours left")
    files = open_files()
    for _ in range(20):
        life()
    wait_until(lambda: not network_threads(), "no thread of ours left")
    assert open_files() <= files


def test_receive_times_follow_a_clock_set_back() -> None:
    noon = datetime(2025, 3, 3, 12, tzinfo=UTC)
    clock = ManualClock(noon)
    deliveries = Deliveries(1, "there", clock)
    deliveries.take([(0x32, b"a", 1, b"1"), (0x32, b"a", 2, b"2")])
    deliveries.take([(0x32, b"a", 3, b"3")])
    clock.advance(timedelta(hours=-1))
    deliveries.take([(0x32, b"a", 4, b"4")])
    microsecond = timedelta(microseconds=1)
    expected = [noon, noon + microsecond, noon + 2 * microsecond, noon - timedelta(hours=1)]
    assert [message.received_at for message in deliveries.messages] == expected


@given(st.integers(), st.lists(st.floats(0, 100), min_size=1, max_size=40))
def test_the_back_off_is_a_random_share_of_a_doubling_capped_step(seed: int, stood: list[float]) -> None:
    pace = Pace()
    backoff = Backoff(pace, Random(seed))
    step_s = pace.base_s
    for stood_s in stood:
        if stood_s >= pace.settled_s:
            step_s = pace.base_s
        assert 0 <= backoff.wait_s(EndKind.LOST, stood_s) <= step_s
        step_s = min(pace.cap_s, step_s * 2)
    assert pace.denied_s / 2 <= backoff.wait_s(EndKind.DENIED, 0.0) <= pace.denied_s
    assert backoff.wait_s(EndKind.OLD_PROTOCOL, 0.0) == 0.0


def test_the_back_off_uses_its_whole_range() -> None:
    """Full jitter: with one seed for each of 200 clients, a step of 8 s is spread over all of it."""
    waits = []
    for seed in range(200):
        backoff = Backoff(Pace(), Random(seed))
        waits.append([backoff.wait_s(EndKind.ABSENT, 0.0) for _ in range(4)][-1])
    assert 0 <= min(waits) < 1
    assert 7 < max(waits) <= 8


def test_a_broker_that_refuses_mqtt_5_is_spoken_to_in_3_1_1(make: Make) -> None:
    levels: list[int] = []

    def script(peer: Peer) -> None:
        levels.append(peer.connect_level())
        if levels[-1] == 5:
            peer.sock.sendall(connack_311(1))  # 3.1.1, table 3.1: unacceptable protocol version
            return
        peer.sock.sendall(connack_311(0))
        kind, body = peer.packet()
        assert kind == 8
        peer.sock.sendall(bytes([0x90, 4]) + body[:2] + b"\x01\x01")
        peer.sock.sendall(publish_311(b"shed/keel/air", b"20.5", 7))
        assert peer.packet() == (4, b"\x00\x07")
        peer.packet()

    with ScriptedBroker(script) as old:
        client, sink = make(old.port), RememberingSink()
        sink.on_batch = lambda batch: client.acknowledge([message.token for message in batch])
        connect(client, sink)
        wait_until(lambda: sink.payloads() == ["20.5"], "the message")
        assert levels == [5, 4]


def test_a_broker_that_hangs_up_on_mqtt_5_is_spoken_to_in_3_1_1(make: Make) -> None:
    levels: list[int] = []

    def script(peer: Peer) -> None:
        levels.append(peer.connect_level())
        if levels[-1] == 4:
            peer.sock.sendall(connack_311(0))
            peer.packet()
            peer.packet()

    with ScriptedBroker(script) as old:
        client = make(old.port)
        client.start(RememberingSink())
        wait_until(lambda: client.status().connected, "connected")
        assert levels == [5, 5, 4]


@pytest.mark.parametrize("answer", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\xff" * 50, b"\x20\x01\x00", b""])
def test_what_does_not_speak_mqtt_is_named_and_tried_again(make: Make, answer: bytes) -> None:
    def script(peer: Peer) -> None:
        peer.connect_level()
        peer.sock.sendall(answer)

    with ScriptedBroker(script) as stranger:
        client = make(stranger.port)
        client.start(RememberingSink())
        wait_until(lambda: "trying again" in client.status().words, "the failure said")
        words = client.status().words
        assert "does not speak MQTT" in words or "closed the connection before accepting it" in words
        assert not client.status().connected


def test_a_silent_server_is_given_up(make: Make) -> None:
    def script(peer: Peer) -> None:
        peer.connect_level()
        peer.packet()

    with ScriptedBroker(script) as mute:
        client = make(mute.port, pace=replace(QUICK, connack_timeout_s=0.3))
        client.start(RememberingSink())
        wait_until(lambda: "does not answer CONNECT" in client.status().words, "the silence said")


def test_a_second_client_is_suspected_where_the_broker_gives_no_reason(make: Make) -> None:
    """MQTT 3.1.1 has no DISCONNECT from the broker: a take-over only looks like a lost connection."""

    def script(peer: Peer) -> None:
        peer.sock.sendall(connack_311(1 if peer.connect_level() == 5 else 0))
        peer.packet()
        time.sleep(0.02)

    with ScriptedBroker(script) as broker:
        client = make(broker.port)
        client.start(RememberingSink())
        wait_until(
            lambda: "probably another client uses the id 'layday'" in client.status().words, "the suspicion"
        )


def test_an_unknown_host_is_named(make: Make) -> None:
    client = make(1883, host="no-such-host.invalid")  # RFC 2606 reserves .invalid
    client.start(RememberingSink())
    wait_until(lambda: "trying again" in client.status().words, "the failure said")
    assert client.status().words.startswith("no computer called 'no-such-host.invalid' can be found")


def test_a_refused_topic_is_said(make: Make) -> None:
    """Mosquitto grants every SUBSCRIBE and filters later; other brokers refuse (3.1.1, section 3.9.3)."""

    def script(peer: Peer) -> None:
        peer.sock.sendall(connack_311(1 if peer.connect_level() == 5 else 0))
        _, body = peer.packet()
        peer.sock.sendall(bytes([0x90, 4]) + body[:2] + b"\x80\x00")
        peer.packet()

    with ScriptedBroker(script) as strict:
        client = make(strict.port)
        client.start(RememberingSink())
        wait_until(lambda: "refuses" in client.status().words, "the refusal said")
        assert "broker refuses 'shed/keel/air'; check its access list" in client.status().words
        assert "broker gives 'shed/sheer/air' without acknowledgement (QoS 0)" in client.status().words


@pytest.mark.parametrize(
    ("settings", "what"),
    [
        ({"password_file": "{folder}/empty", "username": "u"}, "has no password on its first line"),
        ({"password_file": "{folder}/empty"}, "without broker.username"),
        ({"tls": True, "tls_ca_file": "{folder}/gone"}, "tls_ca_file .*gone cannot be read: No such file"),
        ({"tls": True, "tls_ca_file": "{folder}/empty"}, "is no PEM certificate"),
    ],
)
def test_files_that_can_never_work_are_named_at_the_start(
    make: Make, tmp_path: Path, settings: dict[str, object], what: str
) -> None:
    (tmp_path / "empty").write_text("", encoding="utf-8")
    filled = {k: v.format(folder=tmp_path) if isinstance(v, str) else v for k, v in settings.items()}
    with pytest.raises(SourceError, match=what):
        make(1883, **filled).start(RememberingSink())
