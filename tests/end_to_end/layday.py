"""A real `layday` in a process of its own, with its own configuration, store and port."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

from collector.clock import from_us
from collector.errors import StoreError
from collector.store.opening import open_store
from tests.mosquitto import free_port
from tests.published import complaint

COMMAND = (sys.executable, "-c", "from dashboards.cli import main; main()")


def until(holds: Callable[[], object], what: str, timeout_s: float = 60.0) -> None:
    """Wait until something holds, or fail saying what did not."""
    deadline_s = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline_s, f"not within {timeout_s:g} s: {what}"
        time.sleep(0.02)


def sensor_lines(topic: str, quantities: Iterable[str], place: str = "keel") -> str:
    """Return the configuration of sensors that share one JSON message with its time at /t."""
    return "".join(
        f'[[sensor]]\nplace = "{place}"\nquantity = "{quantity}"\ntopic = "{topic}"\n'
        f'pointer = "/{quantity}"\ntime_pointer = "/t"\n'
        for quantity in quantities
    )


class Layday:
    """One installation: a folder with a configuration and a store, and at most one running daemon."""

    def __init__(
        self, folder: Path, sensors: str, *, broker_port: int | None = None, store: Path | None = None
    ) -> None:
        self.folder = folder
        self.store = store or folder / "layday.sqlite"
        self.port = free_port()
        self.config = folder / "layday.toml"
        listener = (
            f"[listener]\nport = {self.port}\n" if broker_port is None else "[listener]\nenabled = false\n"
        )
        broker = "" if broker_port is None else f'[broker]\nhost = "127.0.0.1"\nport = {broker_port}\n'
        self.config.write_text(
            f'[shed]\nname = "tunnel"\n[store]\npath = "{self.store}"\n{listener}{broker}{sensors}'
        )
        self.log = folder / "log.txt"
        self.command: tuple[str, ...] = COMMAND
        self.env: dict[str, str] = {}
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start `layday run`, and return when it says it works."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [*self.command, "--config", str(self.config), "run"],
                stdout=log,
                stderr=log,
                env={**os.environ, **self.env},
            )
        pid = self._process.pid
        until(
            lambda: self._said_by(pid) or self._ended(), f"layday run works; its log: {self.log.read_text()}"
        )
        assert not self._ended(), self.log.read_text()

    @property
    def pid(self) -> int:
        """The daemon's process."""
        assert self._process is not None
        return self._process.pid

    def kill(self) -> None:
        """Kill -9."""
        assert self._process is not None
        self._process.kill()
        self._process.wait()
        self._process = None

    def stop(self) -> float:
        """Stop it properly; return how many seconds that took."""
        assert self._process is not None
        began_s = time.monotonic()
        self._process.send_signal(signal.SIGTERM)
        assert self._process.wait(timeout=10) == 0, self.log.read_text()
        self._process = None
        return time.monotonic() - began_s

    def end(self) -> None:
        """Make sure that nothing runs on."""
        if self._process is not None:
            self.kill()

    def _ended(self) -> bool:
        return self._process is not None and self._process.poll() is not None

    def _said_by(self, pid: int) -> bool:
        if not self.store.exists():
            return False
        try:
            with closing(open_store(self.store, read_only=True)) as store:
                state = store.read_state("daemon")
        except StoreError:  # it is just being made
            return False
        return state is not None and json.loads(state.text)["pid"] == pid

    def ask(
        self, *words: str, env: Mapping[str, str] | None = None, typed: str = ""
    ) -> subprocess.CompletedProcess[str]:
        """Run another `layday` command on this installation, with `typed` on its standard input.

        What it answers with --json must be what its published schema says.
        """
        done = subprocess.run(
            [*COMMAND, "--config", str(self.config), *words],
            capture_output=True,
            text=True,
            input=typed,
            check=False,
            timeout=60,
            env={**os.environ, **(env or {})},
        )
        if "--json" in words and done.stdout:
            said = complaint(json.loads(done.stdout))
            assert not said, (words, said)
        return done

    def ask_json(self, *words: str) -> Any:  # noqa: ANN401  JSON
        """Run a command with --json and return its answer."""
        answer = self.ask(*words, "--json")
        assert answer.stdout, answer.stderr
        return json.loads(answer.stdout)

    def values(self, sensor: str) -> dict[int, float]:
        """Return all of a sensor's readings by their time in microseconds; a double one fails."""
        with closing(open_store(self.store, read_only=True)) as store:
            span = store.sensors().get(sensor)
            if span is None:
                return {}
            samples = store.window(sensor, span.first_at, span.last_at + timedelta(microseconds=1))
        times = samples.times_us.tolist()
        assert len(times) == len(set(times)), f"{sensor} has double readings"
        assert not times or from_us(times[0]) == span.first_at
        return dict(zip(times, samples.values.tolist(), strict=True))
