"""Real central stores for tests, on free ports of 127.0.0.1: Debian's InfluxDB and VictoriaMetrics.

Debian has InfluxDB 1.6.7 and no 2.x. **nginx stands in for a 2.x front door**: it turns
``/api/v2/write?bucket=B&precision=us`` into 1.x's ``/write?db=B&precision=u`` and drops the
token header, which 1.6 does not know. So these tests show that what is written is stored once and read
back by InfluxQL; they do not show 2.x or 3 themselves.
"""

import os
import shutil
import signal
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from types import TracebackType
from typing import Self

import pytest

from collector.store.address import Address
from tests.mosquitto import free_port, program

_INFLUX = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
  logging-enabled = false
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  query-log-enabled = false
  index-version = "inmem"
[coordinator]
  write-timeout = "30s"
[retention]
  enabled = false
[shard-precreation]
  enabled = false
[monitor]
  store-enabled = false
[http]
  enabled = true
  bind-address = "127.0.0.1:{port}"
  log-enabled = false
  max-body-size = 0
[logging]
  level = "warn"
  suppress-logo = true
[continuous_queries]
  enabled = false
[subscriber]
  enabled = false
"""
_NGINX = """
daemon off;
master_process off;  # a worker would outlive a master that is killed
pid {folder}/nginx.pid;
error_log {folder}/nginx.log error;
events {{ worker_connections 256; }}
http {{
  access_log off;
  client_max_body_size 0;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  map $arg_precision $first_precision {{ default $arg_precision; us u; }}
  server {{
    listen 127.0.0.1:{front};
    proxy_http_version 1.1;
    proxy_set_header Authorization "";
    location = /api/v2/write {{
      rewrite .* /write?db=$arg_bucket&precision=$first_precision? break;
      proxy_pass http://127.0.0.1:{port};
    }}
    location / {{ proxy_pass http://127.0.0.1:{port}; }}
  }}
}}
"""


class ServerProcess:
    """A server process with a log, killed and started again at will."""

    def __init__(self, folder: Path, name: str, command: list[str], ready_url: str) -> None:
        self._log = folder / f"{name}.log"
        self._name = name
        self._command = command
        self._ready_url = ready_url
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and return when it answers."""
        with self._log.open("ab") as log:
            # it dies with the test run, also where that is killed
            command = [program("setpriv", "util-linux"), "--pdeathsig", "KILL", "--", *self._command]
            self._process = subprocess.Popen(command, stdout=log, stderr=log)
        deadline_s = time.monotonic() + 30
        while time.monotonic() < deadline_s and self._process.poll() is None:
            try:
                with urllib.request.urlopen(self._ready_url, timeout=5):
                    return
            except urllib.error.HTTPError as error:
                error.close()
                return  # it answers, if only to say that there is nothing at this place
            except OSError:
                time.sleep(0.02)
        pytest.fail(f"{self._name} did not start:\n{self._log.read_text(errors='replace')[-2000:]}")

    def end(self, number: signal.Signals) -> None:
        """Send it a signal and wait for its end; nothing where it does not run."""
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(timeout=20)
            self._process = None


class Central:
    """A central store: `address` is where, as `Address`; `kind` its kind."""

    def __init__(self, address: Address, server: ServerProcess, others: list[ServerProcess]) -> None:
        self.address = address
        self._server = server
        self._others = others

    def __enter__(self) -> Self:
        for process in (self._server, *self._others):
            process.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, where: TracebackType | None
    ) -> None:
        for process in (*self._others, self._server):
            process.end(signal.SIGKILL)

    @property
    def kind(self) -> str:
        """``influx`` or ``victoria``."""
        return self.address.kind

    def kill(self) -> None:
        """Kill -9 the database; nginx before it stays and answers 502."""
        self._server.end(signal.SIGKILL)

    def start(self) -> None:
        """Start the database again on what it left on disk."""
        self._server.start()

    def make_bucket(self, name: str) -> Address:
        """Make a bucket (a 1.x database) and return its address; VictoriaMetrics knows none."""
        if self.kind == "influx":
            # shards of a century: random times would else make a file each
            self.get("/query", "POST", q=f'CREATE DATABASE "{name}" WITH DURATION INF SHARD DURATION 5200w')
        return Address(self.address.kind, self.address.url, name)

    def settled(self) -> None:
        """Let what was taken be found by searches: VictoriaMetrics may take a second."""
        if self.kind == "victoria":
            self.get("/internal/force_flush")

    def get(self, path: str, method: str = "GET", **query: str) -> str:
        """Ask the server something."""
        url = f"{self.address.url}{path}?{urllib.parse.urlencode(query)}"
        with urllib.request.urlopen(urllib.request.Request(url, method=method), timeout=60) as answer:
            text: str = answer.read().decode()
            return text


def influx(folder: Path) -> Central:
    """Return an InfluxDB 1.6 behind nginx as 2.x's front door, not yet started."""
    port, front, rpc = free_port(), free_port(), free_port()
    (folder / "influx.conf").write_text(_INFLUX.format(folder=folder, port=port, rpc=rpc))
    (folder / "nginx.conf").write_text(_NGINX.format(folder=folder, port=port, front=front))
    server = ServerProcess(
        folder,
        "influxd",
        [program("influxd", "influxdb"), "-config", str(folder / "influx.conf")],
        f"http://127.0.0.1:{port}/ping",
    )
    door = ServerProcess(
        folder,
        "nginx",
        [program("nginx", "nginx"), "-c", str(folder / "nginx.conf"), "-p", str(folder)],
        f"http://127.0.0.1:{front}/ping",
    )
    return Central(Address("influx", f"http://127.0.0.1:{front}", "layday"), server, [door])


def victoria(folder: Path) -> Central:
    """Return a VictoriaMetrics as DEVELOPERS.md wants it set up, not yet started."""
    port = free_port()
    command = [
        program("victoria-metrics", "victoria-metrics"),
        f"-storageDataPath={folder}/victoria",
        f"-httpListenAddr=127.0.0.1:{port}",
        "-retentionPeriod=100y",
        "-dedup.minScrapeInterval=1ms",
        "-memory.allowedBytes=256MB",
        "-loggerLevel=ERROR",
    ]
    server = ServerProcess(folder, "victoria", command, f"http://127.0.0.1:{port}/health")
    return Central(Address("victoria", f"http://127.0.0.1:{port}", ""), server, [])


KINDS: dict[str, Callable[[Path], Central]] = {"influx": influx, "victoria": victoria}


@contextmanager
def running(kind: str) -> Iterator[Central]:
    """Run a central store in a folder of its own, in memory where there is one: not its disk is tested."""
    shm = Path("/dev/shm")  # noqa: S108  the folder made in it is private
    with ExitStack() as stack:
        folder = stack.enter_context(TemporaryDirectory(dir=shm if shm.is_dir() else None))
        os.chmod(folder, 0o755)  # noqa: S103, PTH101  nginx's worker, another user, must get in
        if os.geteuid() == 0:
            shutil.chown(folder, "root")
        yield stack.enter_context(KINDS[kind](Path(folder)))
