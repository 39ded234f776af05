"""Serves the page: few connections, each with its time, to those whom the doors let in."""

import contextlib
import os
import socket
import socketserver
import threading
from collections.abc import Callable

from dashboards.phone.board import Board
from dashboards.phone.doors import Doors
from dashboards.phone.shell import page
from dashboards.phone.streams import Streams
from dashboards.phone.wire import (
    WRITE_S,
    Answer,
    BadRequestError,
    Request,
    read_request,
    refusal,
)

MAX_CLIENTS = 64
"""Requests at one time, beside the pages that are open; the next is told to come back."""

_JSON = "/json/"
_PAGE_POLICY = (
    "default-src 'none'; style-src 'nonce-{nonce}'; script-src 'nonce-{nonce}'; img-src data:;"
    " connect-src 'self'; base-uri 'none'; form-action {forms}; frame-ancestors 'none'"
)
_CLOSED_POLICY = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"
_STACK_BYTES = 256 * 1024


class PhoneServer(socketserver.ThreadingTCPServer):
    """The page's server; one thread a connection, `MAX_CLIENTS` at most.

    `seen` is told the name of an alarm that somebody has seen, and says whether that is on disk.

    Raises
    ------
    OSError
        If its address cannot be had.
    """

    allow_reuse_address = True
    daemon_threads = True
    block_on_close = False
    request_queue_size = 128

    def __init__(
        self,
        address: tuple[str, int],
        board: Board,
        doors: Doors,
        speed: float = 1.0,
        seen: Callable[[str], bool] | None = None,
    ) -> None:
        self.address_family = socket.AF_INET6 if ":" in address[0] else socket.AF_INET
        self.board = board
        self.doors = doors
        self.speed = speed
        self.seen = seen
        self._clients = threading.BoundedSemaphore(MAX_CLIENTS)
        threading.stack_size(_STACK_BYTES)
        super().__init__(address, _Client)
        self.streams = Streams(board)

    def process_request(self, request: object, client_address: object) -> None:
        """Take a connection where there is room; else say so and be done with it."""
        connection = _as_socket(request)
        if not self._clients.acquire(blocking=False):
            with contextlib.suppress(OSError):
                connection.settimeout(0.0)
                connection.send(refusal(503).to_bytes())
            self.shutdown_request(connection)
            return
        try:
            super().process_request(connection, client_address)
        except RuntimeError:  # no thread to be had: the system is short of memory
            self._clients.release()
            self.shutdown_request(connection)

    def process_request_thread(self, request: object, client_address: object) -> None:
        """Serve one connection, and make room again."""
        try:
            super().process_request_thread(_as_socket(request), client_address)
        finally:
            self._clients.release()

    def server_close(self) -> None:
        """Give up the address, and let open pages go."""
        super().server_close()
        self.streams.end()

    def handle_error(self, request: object, client_address: object) -> None:
        """Let a broken connection go without a word: whoever breaks one could fill the log."""


class _Client(socketserver.BaseRequestHandler):
    """One connection."""

    request: socket.socket
    server: PhoneServer

    def handle(self) -> None:
        connection = self.request
        try:
            request = read_request(connection)
        except BadRequestError as error:
            self._send(refusal(error.status))
            return
        connection.settimeout(WRITE_S)
        server = self.server
        at_door = server.doors.answer(request, str(connection.getsockname()[0]).removeprefix("::ffff:"))
        if at_door is not None:
            self._send(at_door)
        elif request.method == "POST":
            self._send(self._acknowledged(request))
        elif request.path == "/events":
            if not server.streams.take(connection):
                self._send(refusal(503))
        else:
            self._send(self._found(request))

    def _found(self, request: Request) -> Answer:
        sight = self.server.board.sight()
        said = self.server.doors.said(request)
        if request.target == "/" or said is not None:
            nonce = os.urandom(16).hex()
            form = self.server.doors.form
            policy = _PAGE_POLICY.format(nonce=nonce, forms="'self'" if form else "'none'")
            shown = page(sight, nonce, self.server.speed, form, said)
            return Answer(200, shown, "text/html; charset=utf-8", {"Content-Security-Policy": policy})
        views = {} if sight.drawing is None else sight.drawing.views
        view = views.get(request.target.removeprefix(_JSON)) if request.target.startswith(_JSON) else None
        if view is None:
            return refusal(404)
        stale = {"Layday-Stale": "yes" if sight.stale else "no", "Content-Security-Policy": _CLOSED_POLICY}
        return Answer(200, view.encode(), "application/json", stale)

    def _acknowledged(self, request: Request) -> Answer:
        """Enter that an alarm was seen, where a page of ours says so; the next page says how it went."""
        alarm = self.server.doors.answered(request)
        if not alarm or self.server.seen is None:
            return refusal(403)
        became = "seen" if self.server.seen(alarm) else "failed"
        return Answer(
            303,
            headers={"Location": f"/?{became}={alarm}#{alarm}", "Content-Security-Policy": _CLOSED_POLICY},
        )

    def _send(self, answer: Answer) -> None:
        self.request.settimeout(WRITE_S)
        self.request.sendall(answer.to_bytes())
        self.request.shutdown(socket.SHUT_WR)
        self.request.settimeout(0.0)
        with contextlib.suppress(OSError):  # a close with bytes unread would take the answer back
            self.request.recv(65536)


def _as_socket(request: object) -> socket.socket:
    if not isinstance(request, socket.socket):
        raise TypeError("a stream server's requests are sockets")
    return request


def serving(server: PhoneServer) -> Callable[[], None]:
    """Serve in a thread of its own; return what ends it."""
    thread = threading.Thread(target=server.serve_forever, args=(0.1,), name="phone", daemon=True)
    thread.start()

    def end() -> None:
        server.shutdown()
        server.server_close()
        thread.join()

    return end
