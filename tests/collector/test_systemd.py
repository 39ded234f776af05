"""The daemon tells systemd when it is ready, that it lives, and that it stops: over a real socket."""

import socket
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import SystemClock
from collector.config import Config
from collector.proof import Flow
from collector.service import Daemon
from collector.store.memory import MemoryStore
from collector.systemd import tell_systemd
from tests.mosquitto import free_port


def test_ready_alive_and_stopping_are_told_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(address))
        systemd.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        config = Config.model_validate({"listener": {"port": free_port()}})
        daemon = Daemon(config, MemoryStore(), SystemClock())
        daemon.start()
        assert systemd.recv(100) == b"READY=1"
        began_s = time.monotonic()
        daemon.request_stop()
        daemon.run()
        assert time.monotonic() - began_s < 2.0
        assert systemd.recv(100) == b"STOPPING=1"


def test_the_watchdog_is_fed_while_intake_lives(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(address))
        systemd.settimeout(0.2)
        daemon = Daemon(Config.model_validate({"listener": {"enabled": False}}), MemoryStore(), SystemClock())
        daemon.start()
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        daemon._each_second()
        assert systemd.recv(100) == b"WATCHDOG=1"
        daemon.stop()
        assert systemd.recv(100) == b"STOPPING=1"
        daemon._each_second()
        with pytest.raises(TimeoutError):
            systemd.recv(100)


@pytest.mark.parametrize("dead", ["samples", "verdicts"])
def test_what_flowed_and_stopped_starves_the_watchdog(dead: str) -> None:
    samples, verdicts = Flow(10), Flow(3, 1800.0)
    for minute in range(60):
        samples.seen(min(minute, 20 if dead == "samples" else 60), 60.0 * minute)
        verdicts.seen(min(minute // 5, 4 if dead == "verdicts" else 60), 60.0 * minute)
    assert samples.has_stopped(3600.0) is (dead == "samples")
    assert verdicts.has_stopped(3600.0) is (dead == "verdicts")


def test_a_shed_whose_sensors_are_all_silent_is_not_started_again_and_again() -> None:
    """A life's first silence starves the watchdog; the next life hears nothing, and is fed for ever."""
    first, second = Flow(10), Flow(10)
    for minute in range(11):
        first.seen(minute, 60.0 * minute)
    assert first.has_stopped(3600.0)
    for minute in range(0, 10_000, 7):
        second.seen(11, 60.0 * minute)
        assert not second.has_stopped(60.0 * minute)


@given(st.floats(60.0, 7200.0), st.integers(11, 60))
def test_sensors_that_send_seldom_are_given_time(gap_s: float, count: int) -> None:
    flow = Flow(10)
    for i in range(count):
        assert not flow.has_stopped(gap_s * i)
        flow.seen(i, gap_s * i)
    assert not flow.has_stopped(gap_s * (count - 1) + max(900.0, 3.9 * gap_s) * 0.99)
    assert flow.has_stopped(gap_s * (count - 1) + max(900.0, 4.0 * gap_s) * 1.01)


def test_the_daemon_withholds_its_sign_of_life_when_verdicts_stop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    address, verdicts = tmp_path / "notify", [0]
    config = Config.model_validate({"listener": {"enabled": False}})
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(address))
        systemd.settimeout(0.2)
        daemon = Daemon(config, MemoryStore(), SystemClock(), lambda: verdicts[0])
        daemon._verdicts = Flow(enough=3, least_s=0.1)
        daemon.start()
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        for _ in range(5):
            verdicts[0] += 1
            daemon._each_second()
            assert systemd.recv(100) == b"WATCHDOG=1"
        time.sleep(0.2)
        daemon._each_second()
        with pytest.raises(TimeoutError):
            systemd.recv(100)
        verdicts[0] += 1
        daemon._each_second()
        assert systemd.recv(100) == b"WATCHDOG=1"
        daemon.stop()


def test_nothing_is_said_outside_systemd_and_a_dead_socket_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    tell_systemd("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "nobody"))
    tell_systemd("READY=1")
