"""Passwords and TLS, with real clients."""

import logging
import socket
import ssl
import subprocess
import time
from pathlib import Path
from typing import Any

import pytest

from collector.clock import SystemClock
from collector.errors import SourceError
from collector.listener import Limits, Listener
from collector.passwords import hash_password
from collector.source_config import ListenerConfig
from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import Basket, RawClient, eventually, joined, listening


@pytest.fixture
def password_file(tmp_path: Path) -> Path:
    path = tmp_path / "passwords"
    path.touch(0o600)
    path.write_text(f"keel:{hash_password('tack-strip')}\n")
    return path


def openssl(folder: Path, *args: str) -> None:
    subprocess.run(["openssl", *args], cwd=folder, check=True, capture_output=True, timeout=20)


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make an authority, a server certificate for 127.0.0.1, and a client certificate."""
    folder = tmp_path_factory.mktemp("certificates")
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    openssl(folder, "req", "-x509", *key, "-keyout", "ca.key", "-out", "ca.pem", "-subj", "/CN=yard")
    (folder / "server.ext").write_text("subjectAltName=IP:127.0.0.1\n")
    for name in ("server", "client"):
        openssl(
            folder, "req", *key[:-2], "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}"
        )
        extensions = ["-extfile", "server.ext"] if name == "server" else []
        openssl(
            folder, "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key",
            "-CAcreateserial", "-out", f"{name}.pem", "-days", "2", *extensions,
        )  # fmt: skip
    return folder


def tls_files(certificates: Path) -> dict[str, Any]:
    return {
        "tls_certificate_file": str(certificates / "server.pem"),
        "tls_key_file": str(certificates / "server.key"),
    }


def publish(port: int, *args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["mosquitto_pub", "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", "t", "-m", "21.5", *args],
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )


@pytest.mark.parametrize("version", ["mqttv311", "mqttv5"])
def test_only_the_right_password_gets_in(version: str, password_file: Path) -> None:
    sink = Basket()
    with listening(sink, password_file=str(password_file)) as listener:
        assert publish(listener.port, "-V", version, "-u", "keel", "-P", "tack-strip").returncode == 0
        assert publish(listener.port, "-V", version, "-u", "keel", "-P", "tack-strip").returncode == 0
        for wrong in (["-u", "keel", "-P", "tack"], ["-u", "sheer", "-P", "tack-strip"], []):
            assert publish(listener.port, "-V", version, *wrong).returncode != 0
        words = listener.status().words
    assert len(sink.got) == 2
    assert [r.reason for r in sink.bad] == ["wrong user or password"] * 2 + [
        "no user and password, which are needed here"
    ]
    assert "2 times: wrong user or password" in words
    assert "tack" not in words + repr(sink.bad)


@pytest.mark.parametrize(
    ("version", "fields", "code"),
    [
        # MQTT 3.1.1 table 3.1, MQTT 5.0 table 3-1
        (4, {"user": "keel", "password": b"no"}, 4),
        (4, {}, 5),
        (5, {"user": "keel", "password": b"no"}, 0x86),
        (5, {"user": "keel"}, 0x87),
    ],
)
def test_a_refusal_has_the_code_of_the_standard(
    version: int, fields: dict[str, object], code: int, password_file: Path
) -> None:
    sink = Basket()
    with listening(sink, password_file=str(password_file)) as listener, RawClient(listener.port) as raw:
        raw.send(client.connect(version, **fields))  # type: ignore[arg-type]
        answer = raw.packet()
        assert (answer[0], answer[3]) == (0x20, code)
        assert raw.hung_up()


def test_nothing_counts_before_the_password_is_known_to_be_right(password_file: Path) -> None:
    sink = Basket()
    message = client.publish("t", b"1", qos=1)
    with listening(sink, password_file=str(password_file)) as listener:
        with RawClient(listener.port) as raw:
            raw.send(client.connect(user="keel", password=b"wrong") + message)
            assert raw.packet() == b"\x20\x02\x00\x04"
            assert raw.hung_up()
        assert not sink.got
        with RawClient(listener.port) as raw:
            raw.send(client.connect(user="keel", password=b"tack-strip") + message + client.PING)
            assert raw.packet() == b"\x20\x02\x00\x00"
            assert {raw.packet(), raw.packet()} == {b"\x40\x02\x00\x01", b"\xd0\x00"}
    assert len(sink.got) == 1


def test_a_wrong_password_holds_nobody_else_up(password_file: Path) -> None:
    sink = Basket()
    with (
        listening(sink, password_file=str(password_file)) as listener,
        joined(listener.port, user="keel", password=b"tack-strip") as raw,
    ):
        guessers = [RawClient(listener.port) for _ in range(30)]
        for i, guesser in enumerate(guessers):
            guesser.send(client.connect(4, f"guess{i}", user="keel", password=b"guess%d" % i))
        raw.send(client.publish("t", b"1", qos=1))
        assert raw.packet() == b"\x40\x02\x00\x01"
        with joined(listener.port, client_id="again", user="keel", password=b"tack-strip"):
            pass
        last = guessers[-1].socket
        last.setblocking(False)
        with pytest.raises(BlockingIOError):
            last.recv(1)  # thirty guesses take the worker a second or more: this one still waits
        last.settimeout(10)
        for guesser in guessers:
            assert guesser.packet() == b"\x20\x02\x00\x04"
            guesser.socket.close()


def test_too_many_passwords_to_check_is_answered_with_busy(password_file: Path) -> None:
    sink = Basket()
    limits = Limits(verifications=1)
    with listening(sink, limits=limits, password_file=str(password_file)) as listener:
        clients = [RawClient(listener.port) for _ in range(8)]
        for i, raw in enumerate(clients):
            raw.send(client.connect(4, f"node{i}", user="keel", password=b"tack-strip"))
        answers = [raw.packet()[3] for raw in clients]
        for raw in clients:
            raw.socket.close()
    assert 0 in answers
    assert 3 in answers  # server unavailable
    assert set(answers) == {0, 3}


def test_stop_does_not_wait_for_passwords(password_file: Path, caplog: pytest.LogCaptureFixture) -> None:
    sink = Basket()
    with listening(sink, password_file=str(password_file)) as listener:
        clients = [RawClient(listener.port) for _ in range(40)]
        for i, raw in enumerate(clients):
            raw.send(client.connect(4, f"node{i}", user="keel", password=b"%d" % i))
        time.sleep(0.1)
        began_s = time.monotonic()
        listener.stop()
        assert time.monotonic() - began_s < 1.0
        for raw in clients:
            raw.socket.close()
    eventually(lambda: not caplog.records, 0.5)


def test_a_password_file_that_others_can_read_is_warned_of(
    password_file: Path, caplog: pytest.LogCaptureFixture
) -> None:
    password_file.chmod(0o644)
    with caplog.at_level(logging.WARNING), listening(Basket(), password_file=str(password_file)):
        pass
    assert f"chmod 0600 {password_file}" in caplog.text


def test_a_password_file_with_mistakes_stops_the_start(tmp_path: Path) -> None:
    path = tmp_path / "passwords"
    path.write_text("keel:tack-strip\n")
    listener = Listener(ListenerConfig(password_file=str(path)), SystemClock())
    with pytest.raises(SourceError, match=f"{path}: line 1: user 'keel': is no scrypt hash") as caught:
        listener.start(Basket())
    assert "tack" not in str(caught.value)


@pytest.mark.parametrize("version", ["mqttv311", "mqttv5"])
def test_mosquitto_pub_over_tls(version: str, certificates: Path) -> None:
    sink = Basket()
    files = tls_files(certificates)
    ca = str(certificates / "ca.pem")
    with listening(sink, **files) as listener:
        assert publish(listener.port, "-V", version, "--cafile", ca, "--repeat", "20").returncode == 0
        assert publish(listener.port, "-V", version).returncode != 0  # no TLS
    assert len(sink.got) == 20
    assert {r.reason.split(":")[0] for r in sink.bad} == {"TLS handshake failed"}


def test_a_client_certificate_is_asked_for_where_an_authority_is_set(certificates: Path) -> None:
    sink = Basket()
    files = tls_files(certificates) | {"tls_client_ca_file": str(certificates / "ca.pem")}
    ca = ["--cafile", str(certificates / "ca.pem")]
    own = ["--cert", str(certificates / "client.pem"), "--key", str(certificates / "client.key")]
    with listening(sink, **files) as listener:
        assert publish(listener.port, *ca, *own).returncode == 0
        assert publish(listener.port, *ca).returncode != 0
        sink.wait(lambda s: bool(s.bad))
    assert len(sink.got) == 1
    assert "peer_did_not_return_a_certificate" in sink.bad[0].reason


def test_tls_carries_large_and_many_messages_and_goodbyes(certificates: Path) -> None:
    sink = Basket()
    files = tls_files(certificates)
    context = ssl.create_default_context(cafile=str(certificates / "ca.pem"))
    with (
        listening(sink, **files) as listener,
        socket.create_connection(("127.0.0.1", listener.port), timeout=10) as plain,
        context.wrap_socket(plain, server_hostname="127.0.0.1") as tls,
    ):
        tls.sendall(client.connect(5))
        for i in range(1, 301):
            tls.sendall(client.publish("t", b"x" * (i * 100), version=5, qos=1, packet_id=i))
        tls.sendall(client.publish("t", b"x" * 2_000_000, version=5, qos=1, packet_id=301))
        tls.sendall(client.publish("t/#", b"", version=5))
        received = b""
        while more := tls.recv(65536):
            received += more
        assert received.count(b"\x40\x02") == 300
        assert b"\x40\x03\x01\x2d\x97" in received
        assert received.rfind(b"\xe0") > 0
    assert [len(m.payload) for m in sink.got] == [i * 100 for i in range(1, 301)]


def test_unfinished_handshakes_can_t_keep_a_sensor_out(certificates: Path) -> None:
    sink = Basket()
    limits = Limits(newcomers=5)
    with listening(sink, limits=limits, max_connections=5, **tls_files(certificates)) as listener:
        idle = [socket.create_connection(("127.0.0.1", listener.port), timeout=10) for _ in range(20)]
        ca = str(certificates / "ca.pem")
        assert publish(listener.port, "--cafile", ca).returncode == 0
        eventually(lambda: len(listener._handshakes) <= 5)
        assert sum(_is_closed(one) for one in idle) >= 15
        for one in idle:
            one.close()


def _is_closed(one: socket.socket) -> bool:
    one.settimeout(0.05)
    try:
        return one.recv(1) == b""
    except TimeoutError:
        return False
    except ConnectionError:
        return True


def test_plain_tls_1_1_is_refused(certificates: Path) -> None:
    config = ListenerConfig().model_copy(update={"port": 0, **tls_files(certificates)})
    listener = Listener(config, SystemClock())
    sink = Basket()
    listener.start(sink)
    said = subprocess.run(
        [
            "openssl",
            "s_client",
            "-connect",
            f"127.0.0.1:{listener.port}",
            "-tls1_1",
            "-cipher",
            "ALL@SECLEVEL=0",
        ],
        input="",
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    listener.stop()
    assert said.returncode != 0
    assert sink.bad


@pytest.mark.parametrize("broken", ["tls_certificate_file", "tls_key_file", "tls_client_ca_file"])
def test_a_certificate_that_can_t_be_used_is_named(broken: str, certificates: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.pem"
    bad.write_text("no certificate\n")
    files = tls_files(certificates) | {"tls_client_ca_file": str(certificates / "ca.pem"), broken: str(bad)}
    listener = Listener(ListenerConfig().model_copy(update=files), SystemClock())
    with pytest.raises(SourceError, match=r"bad\.pem"):
        listener.start(Basket())
