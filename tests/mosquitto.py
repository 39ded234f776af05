"""A real mosquitto for tests: its own folder, a free port, killed and restarted at will."""

import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path
from types import TracebackType
from typing import Self

import pytest

_PATH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"])
_PLAIN = """
allow_anonymous true
persistence true
autosave_interval 1
max_queued_messages 1000000
max_inflight_messages 1000
"""


def program(name: str, package: str) -> str:
    """Return where a server or tool is, or fail naming the Debian package that brings it."""
    found = shutil.which(name, path=_PATH)
    if found is None:
        pytest.fail(f"{name} is not installed: apt-get install {package}")
    return found


def free_port() -> int:
    """Return a port of 127.0.0.1 that nobody holds at the moment."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


class Mosquitto:
    """A broker on 127.0.0.1, in `folder`.

    `settings` are lines of mosquitto's own configuration; without `listener` among them it
    listens on `port`. `verbose` logs every packet. `start` it, or use it as a context manager.
    """

    host = "127.0.0.1"

    def __init__(
        self, folder: Path, settings: str = _PLAIN, port: int | None = None, *, verbose: bool = True
    ) -> None:
        self.folder = folder
        self.settings = settings
        self.port = port or free_port()
        self._verbose = verbose
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        self.kill()

    def start(self) -> None:
        """Start it on what its folder holds, and return when it takes connections."""
        self.folder.mkdir(parents=True, exist_ok=True)
        lines = [self.settings.strip(), f"persistence_location {self.folder}/"]
        if "listener " not in self.settings:
            lines.append(f"listener {self.port} {self.host}")
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            lines.append("user root")  # or it would drop to a user who may not write here
        conf = self.folder / "mosquitto.conf"
        conf.write_text("\n".join(lines) + "\n", encoding="utf-8")
        with (self.folder / "log.txt").open("ab") as log:
            self._process = subprocess.Popen(
                [program("mosquitto", "mosquitto"), *(["-v"] if self._verbose else []), "-c", str(conf)],
                stdout=log,
                stderr=log,
            )
        self._await_port()

    def _await_port(self) -> None:
        deadline_s = time.monotonic() + 10
        while time.monotonic() < deadline_s:
            if self._process is None or self._process.poll() is not None:
                break
            try:
                socket.create_connection((self.host, self.port), timeout=1).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        self.kill()
        pytest.fail(f"mosquitto did not start:\n{self.log()[-2000:]}")

    def log(self) -> str:
        """Return what it has logged, in all its lives."""
        return (self.folder / "log.txt").read_text(encoding="utf-8", errors="replace")

    def kill(self) -> None:
        """Kill -9; what it had not yet saved is gone."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """Stop it properly; it saves its sessions and queues."""
        self._end(signal.SIGTERM)

    def forget(self) -> None:
        """Delete what it has saved, as after a reinstallation; it must be down."""
        (self.folder / "mosquitto.db").unlink(missing_ok=True)

    def freeze(self) -> None:
        """Let it hang: its sockets stay open, nothing is answered."""
        if self._process is not None:
            self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)

    def _end(self, number: int) -> None:
        if self._process is not None:
            self.thaw()
            self._process.send_signal(number)
            self._process.wait(timeout=10)
            self._process = None

    def publish(self, topic: str, payload: str, *options: str) -> None:
        """Publish one message with mosquitto_pub, at QoS 1."""
        self._pub(topic, "-m", payload, *options)

    def publish_lines(self, topic: str, lines: list[str], *options: str) -> None:
        """Publish each line as a message, in order, at QoS 1; return when the broker has taken all."""
        self._pub(topic, "-l", *options, stdin="".join(f"{line}\n" for line in lines))

    def _pub(self, topic: str, *options: str, stdin: str = "") -> None:
        pub = program("mosquitto_pub", "mosquitto-clients")
        subprocess.run(
            [pub, "-h", self.host, "-p", str(self.port), "-q", "1", "-t", topic, *options],
            input=stdin.encode(),
            check=True,
            timeout=60,
        )
