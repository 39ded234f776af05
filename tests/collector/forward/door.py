"""A door before a central store that misbehaves as networks, proxies and servers do."""

import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType

STATUSES = (400, 401, 413, 429, 503)
HANG, SWALLOW, CUT, PASS = "hangs", "stores, and never says so", "cuts off", "passes"
FAULTS = (*STATUSES, HANG, SWALLOW, CUT)


class Door:
    """A proxy on a port of 127.0.0.1 to `target` that does every other request wrong, each fault in turn.

    `hang_s` [s] is longer than its clients wait. `counts` tells what it did; `by_body` may name a
    fault for what is in a request.
    """

    def __init__(self, target: str, *, hang_s: float, bad: bool) -> None:
        self.target = target
        self.counts: Counter[object] = Counter()
        self.hang_s = hang_s
        self.by_body: Callable[[bytes], object] = lambda _: None
        self._bad = bad
        self._turn = 0
        self._lock = threading.Lock()
        self._server = _QuietServer(("127.0.0.1", 0), _Handler)
        self._server.door = self
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        where: "TracebackType | None",
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    @property
    def url(self) -> str:
        """Its address."""
        return f"http://127.0.0.1:{self._server.server_port}"

    @property
    def served(self) -> int:
        """How many requests have come."""
        return self.counts.total()

    def behave(self) -> None:
        """Do nothing wrong from now on."""
        self._bad = False

    def fault(self, body: bytes) -> object:
        """Return what goes wrong with this request; every fault has its turn."""
        with self._lock:
            found = self.by_body(body) or PASS
            if self._bad:
                self._turn += 1
                found = PASS if self._turn % 2 else FAULTS[self._turn // 2 % len(FAULTS)]
            self.counts[found] += 1
            return found


class _QuietServer(ThreadingHTTPServer):
    daemon_threads = True
    door: Door

    def handle_error(self, *_: object) -> None:
        """Say nothing of a client that was killed in the middle of a request."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _QuietServer

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        fault = self.server.door.fault(body)
        if fault == HANG:
            time.sleep(self.server.door.hang_s)
        if fault in {HANG, CUT}:
            self.close_connection = True
        elif isinstance(fault, int):
            self._answer(fault, b"not now")
        else:
            status, text = self._pass_on(body)
            if fault == SWALLOW:
                self.close_connection = True
            else:
                self._answer(status, text)

    def _pass_on(self, body: bytes) -> tuple[int, bytes]:
        headers = {name: self.headers[name] for name in self.headers if name.lower() != "host"}
        request = urllib.request.Request(self.server.door.target + self.path, body, headers, method="POST")
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read()
        except OSError as error:
            return 502, str(error).encode()

    def _answer(self, status: int, text: bytes) -> None:
        self.send_response(status)
        if status == 429:
            self.send_header("Retry-After", "0.2")
        if status != 204:
            self.send_header("Content-Length", str(len(text)))
        self.end_headers()
        if status != 204:
            self.wfile.write(text)

    def log_message(self, *_: object) -> None:
        """Say nothing: the counts tell."""
