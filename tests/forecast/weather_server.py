"""A real HTTP server on 127.0.0.1 that plays a weather service."""

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass
class Answer:
    """What to answer: status, body and headers."""

    body: bytes = b""
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)


@dataclass
class Server:
    """Where it listens, what it was asked, and how it answers."""

    url: str
    answer: Callable[[str], Answer]
    asked: list[tuple[str, dict[str, str]]] = field(default_factory=list)


@contextmanager
def serving(answer: Callable[[str], Answer]) -> Iterator[Server]:
    """Serve `answer` on a free port until the block ends."""
    server = Server("", answer)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            headers = dict(self.headers.items())
            server.asked.append((self.path, headers))
            given = server.answer(self.path)
            self.send_response_only(given.status)
            for name, value in given.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(given.body)))
            self.end_headers()
            self.wfile.write(given.body)

        def log_message(self, *args: object) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as real:
        server.url = f"http://127.0.0.1:{real.server_address[1]}"
        thread = threading.Thread(target=real.serve_forever, args=(0.01,))
        thread.start()
        try:
            yield server
        finally:
            real.shutdown()
            thread.join()
