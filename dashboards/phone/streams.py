"""Pages left open: one thread tells all of them when there is another drawing.

A stream has no thread and no buffer of its own; whoever does not take what is sent is let go.
"""

import contextlib
import socket
import threading
import time

from dashboards.phone.board import Board
from dashboards.phone.wire import head_bytes

MAX_STREAMS = 40
"""Pages that may be open at one time; the next is told to come back."""
STREAM_S = 600.0
"""After so long a stream ends; a browser opens it again by itself."""
ALIVE_S = 15.0
"""An open page hears from the server so often."""


class _Stream:
    """One open page: its connection, what it was told last, and until when it is served."""

    __slots__ = ("connection", "told", "until_s")

    def __init__(self, connection: socket.socket, until_s: float) -> None:
        self.connection = connection
        self.told = ""
        self.until_s = until_s

    def takes(self, words: bytes) -> bool:
        """Say whether the page took all of it at once: news are short, and a full pipe is no reader."""
        try:
            return self.connection.send(words) == len(words)
        except OSError:
            return False

    def is_there(self) -> bool:
        """Say whether the page is still open: a closed one reads as an end, an open one as nothing yet."""
        try:
            return self.connection.recv(256) != b""
        except BlockingIOError:
            return True
        except OSError:
            return False


class Streams:
    """All open pages, and the thread that tells them."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._lock = threading.Lock()
        self._streams: list[_Stream] = []
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="streams", daemon=True)
        self._thread.start()

    def take(self, connection: socket.socket) -> bool:
        """Keep a connection and tell it what is the newest; False where there is no room for it."""
        with self._lock:
            if len(self._streams) >= MAX_STREAMS:
                self._keep([stream for stream in self._streams if stream.is_there()])
            if self._ended or len(self._streams) >= MAX_STREAMS:
                return False
            stream = _Stream(socket.socket(fileno=connection.detach()), time.monotonic() + STREAM_S)
            stream.connection.setblocking(False)
            self._streams.append(stream)
            stream.takes(head_bytes(200, "text/event-stream", {}) + b"retry: 3000\n\n")
            self._tell(alive=False)
        return True

    def end(self) -> None:
        """Let all pages go."""
        with self._lock:
            self._ended = True
            self._keep([])
        while self._thread.is_alive():  # it may have been about to wait when it was stirred
            self._board.stir()
            self._thread.join(0.05)

    def _run(self) -> None:
        told_s = time.monotonic()
        while not self._ended:
            known = self._board.sight()
            with self._lock:
                alive = time.monotonic() - told_s >= ALIVE_S
                if alive:
                    told_s = time.monotonic()
                self._tell(alive=alive)
            self._board.wait(known, ALIVE_S)

    def _tell(self, *, alive: bool) -> None:
        """Tell each page what is the newest if it does not know yet, or all of them to show life."""
        revision, now_s = self._board.sight().revision, time.monotonic()
        words = f"event: here\ndata: {revision}\n\n".encode()
        kept = []
        for stream in self._streams:
            knows = stream.told == revision and not alive
            if now_s < stream.until_s and (knows or stream.takes(words)):
                stream.told = revision
                kept.append(stream)
        self._keep(kept)

    def _keep(self, kept: list[_Stream]) -> None:
        for stream in self._streams:
            if stream not in kept:
                with contextlib.suppress(OSError):
                    stream.connection.close()
        self._streams = kept
