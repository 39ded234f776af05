"""A real mosquitto on a free port of 127.0.0.1, started, stopped and started again by a test."""

import os
import shutil
import socket
import subprocess
import time
from pathlib import Path

import pytest

_SBIN = "/usr/sbin/mosquitto"


class Mosquitto:
    """One broker that keeps its sessions and queues in `folder` over a restart."""

    def __init__(self, folder: Path, login: tuple[str, str] | None = None) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        lines = [
            f"listener {self.port} 127.0.0.1",
            f"allow_anonymous {'true' if login is None else 'false'}",
            "persistence true",
            f"persistence_location {folder}/",
            "max_queued_messages 1000000",
            "max_inflight_messages 1000",
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            lines.append("user root")  # or it drops to a user who cannot write the test's folder
        if login is not None:
            passwords = folder / "passwords"
            subprocess.run(["mosquitto_passwd", "-b", "-c", passwords, *login], check=True)
            lines.append(f"password_file {passwords}")
        self._config = folder / "mosquitto.conf"
        self._config.write_text("\n".join(lines) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it takes connections."""
        program = shutil.which("mosquitto") or _SBIN
        if not Path(program).exists():
            message = "the Debian package mosquitto is missing"
            if os.environ.get("CI"):
                pytest.fail(message)
            pytest.skip(message)
        self._process = subprocess.Popen([program, "-c", self._config], stderr=subprocess.DEVNULL)
        deadline_s = time.monotonic() + 10.0
        while time.monotonic() < deadline_s:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.02)
        raise RuntimeError("mosquitto did not start within 10 s")

    def stop(self) -> None:
        """Stop it as a system would; it writes its queues to disk."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(timeout=10.0)
            self._process = None
