"""The daemon tells systemd when it is ready, that it lives, and that it stops: over a real socket."""

import socket
import time
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.config import Config
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


def test_nothing_is_said_outside_systemd_and_a_dead_socket_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    tell_systemd("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "nobody"))
    tell_systemd("READY=1")
