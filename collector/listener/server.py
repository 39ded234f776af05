"""The listener as a source: its thread, its port, its start and its stop."""

import asyncio
import contextlib
import errno
import logging
import socket
import ssl
import threading
import time
from collections.abc import Sequence
from functools import partial

from collector.clock import Clock
from collector.errors import ConfigError, SourceError
from collector.listener.connection import Connection
from collector.listener.gate import Gate
from collector.listener.hub import Hub
from collector.listener.limits import Limits
from collector.listener.sockets import bind, tls_context, watch_peer
from collector.listener.tally import Tally
from collector.passwords import PasswordBook, exposure
from collector.secret_files import secret_path
from collector.source import Sink, SourceStatus
from collector.source_config import ListenerConfig

_log = logging.getLogger(__name__)

_GOODBYE_S = 0.4
_ACCEPTS_AT_ONCE = 64
_OUT_OF_SOCKETS = {errno.EMFILE, errno.ENFILE, errno.ENOBUFS, errno.ENOMEM}
_OUT_OF_SOCKETS_PAUSE_S = 1.0


class Listener:
    """Takes messages straight from sensors over MQTT 3.1.1 and 5; implements `collector.source.Source`.

    Its acknowledgement of a QoS 1 message is sent when `acknowledge` is called, so that to the
    sensor it means *on disk*. It is no broker: a SUBSCRIBE is refused.

    Parameters
    ----------
    config : ListenerConfig
        Where to listen, whom to let in. Port 0 (only from code) takes a free one; see `port`.
    clock : Clock
        Where receive times come from.
    limits : Limits
        Bounds on what clients may take.
    """

    def __init__(self, config: ListenerConfig, clock: Clock, limits: Limits | None = None) -> None:
        self._config = config
        self._clock = clock
        self._limits = limits or Limits()
        self._tally = Tally(f"listener {config.host}:{config.port}")
        self._port = config.port
        self._sockets: list[socket.socket] = []
        self._tls: ssl.SSLContext | None = None
        self._book: PasswordBook | None = None
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._hub: Hub | None = None
        self._stop_asked: asyncio.Event | None = None
        self._since = clock.now()
        self._handshakes: dict[asyncio.Task[None], None] = {}  # in order of arrival

    @property
    def name(self) -> str:
        """A short name, as in ``listener 127.0.0.1:1883``."""
        return self._tally.name

    @property
    def port(self) -> int:
        """The port that is listened on."""
        return self._port

    def start(self, sink: Sink) -> None:
        """Open the port and deliver to `sink` from a thread of its own; returns when clients can connect.

        Raises
        ------
        SourceError
            If the port, a certificate or the password file can't be used.
        """
        self._tls = tls_context(self._config)
        self._book = self._open_book()
        self._sockets = bind(self._config)
        self._port = int(self._sockets[0].getsockname()[1])
        self._tally.name = f"listener {self._config.host}:{self.port}"
        self._since = self._clock.now()
        ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(sink, ready), name="listener", daemon=True)
        self._thread.start()
        ready.wait()

    def _open_book(self) -> PasswordBook | None:
        if not self._config.password_file:
            return None
        path = secret_path(self._config.password_file, "listener.password_file")
        try:
            book = PasswordBook(path)
        except ConfigError as error:
            raise SourceError(str(error)) from error
        advice = exposure(path)
        if advice:
            _log.warning("%s", advice)
        return book

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Tell the senders that these messages are on disk. Thread-safe; stale tokens are dropped."""
        if tokens and self._loop is not None and self._hub is not None:
            with contextlib.suppress(RuntimeError):  # the loop is closed: every token is stale
                self._loop.call_soon_threadsafe(self._hub.acknowledge, tuple(tokens))

    def status(self) -> SourceStatus:
        """Return how the listener is doing. `connections` are those open now."""
        alive = self._thread is not None and self._thread.is_alive()
        words = self._tally.words(time.monotonic()) if alive else "not listening"
        if self._book is not None and self._book.problem:
            words = f"{words}; {self._book.problem}"
        return SourceStatus(
            name=self.name,
            connected=alive,
            words=words,
            since=self._since,
            last_packet_at=self._tally.last_packet_at,
            connections=self._tally.connected_count,
            received_count=self._tally.received_count,
            dropped_count=self._tally.dropped_count,
        )

    def stop(self) -> None:
        """Stop reading, flush the acknowledgements given so far, close; under 1 s."""
        thread, loop, asked = self._thread, self._loop, self._stop_asked
        if thread is None or loop is None or asked is None:
            return
        with contextlib.suppress(RuntimeError):  # stopped already
            loop.call_soon_threadsafe(asked.set)
        thread.join(timeout=2 * _GOODBYE_S)
        self._since = self._clock.now()

    # on the listener's own thread

    def _run(self, sink: Sink, ready: threading.Event) -> None:
        try:
            asyncio.run(self._serve(sink, ready))
        finally:
            for listening in self._sockets:
                listening.close()
            ready.set()  # whoever waits in `start` sees by `status` that it did not work

    async def _serve(self, sink: Sink, ready: threading.Event) -> None:
        loop = self._loop = asyncio.get_running_loop()
        loop.set_exception_handler(_log_exception)
        self._stop_asked = asyncio.Event()
        gate = Gate(self._config, self._limits, self._book)
        hub = self._hub = Hub(self._config, self._limits, self._clock, sink, gate, self._tally)
        for listening in self._sockets:
            loop.add_reader(listening, self._accept, listening)
        ready.set()
        sweeping = loop.create_task(self._sweep(hub))
        await self._stop_asked.wait()
        sweeping.cancel()
        for listening in self._sockets:
            loop.remove_reader(listening)
            listening.close()
        gate.close()
        for task in tuple(self._handshakes):
            task.cancel()
        hub.shut()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(hub.empty.wait(), _GOODBYE_S)
        for connection in list(hub.sockets):
            connection.transport.abort()
        await asyncio.sleep(0)  # lets connection_lost run

    async def _sweep(self, hub: Hub) -> None:
        while True:
            await asyncio.sleep(self._limits.sweep_s)
            try:
                hub.sweep()
            except Exception:  # noqa: BLE001  without the sweep dead clients would stay for ever
                _log.exception("listener: the sweep failed; it goes on")

    def _accept(self, listening: socket.socket) -> None:
        """Take the connections that wait at the port."""
        loop, hub = self._loop, self._hub
        if loop is None or hub is None:
            return
        for _ in range(_ACCEPTS_AT_ONCE):
            try:
                one, address = listening.accept()
            except (BlockingIOError, InterruptedError, ConnectionAbortedError):
                return
            except OSError as error:
                if error.errno not in _OUT_OF_SOCKETS:
                    raise
                # it would be called again at once, for ever
                hub.turned_away("anywhere", "no more files may be open; raise the limit (LimitNOFILE)")
                loop.remove_reader(listening)
                loop.call_later(_OUT_OF_SOCKETS_PAUSE_S, self._accept_again, listening)
                return
            if not hub.lets_connect(str(address[0])):
                one.close()
                continue
            one.setblocking(False)
            watch_peer(one)
            task = loop.create_task(self._open(hub, one, str(address[0])))
            self._handshakes[task] = None
            task.add_done_callback(partial(self._opened, one))
            if self._tls and len(self._handshakes) > hub.max_newcomers:
                oldest = next(iter(self._handshakes))
                del self._handshakes[oldest]
                oldest.cancel()

    def _accept_again(self, listening: socket.socket) -> None:
        if self._loop is not None and listening.fileno() >= 0:
            self._loop.add_reader(listening, self._accept, listening)

    def _opened(self, one: socket.socket, task: asyncio.Task[None]) -> None:
        self._handshakes.pop(task, None)
        if task.cancelled():  # perhaps before it began
            one.close()

    async def _open(self, hub: Hub, one: socket.socket, address: str) -> None:
        """Make a connection of an accepted socket, after the TLS handshake if there is one."""
        limits = self._limits
        timeouts = (
            {"ssl_handshake_timeout": limits.connect_s, "ssl_shutdown_timeout": limits.linger_s}
            if self._tls
            else {}
        )
        try:
            await hub.loop.connect_accepted_socket(
                lambda: Connection(hub, address), one, ssl=self._tls, **timeouts
            )
        except ssl.SSLError as error:
            one.close()
            hub.turned_away(address, f"TLS handshake failed: {(error.reason or 'unknown').lower()}")
        except OSError:
            one.close()
            hub.turned_away(address, "TLS handshake not finished")


def _log_exception(_loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
    """Log what went wrong; asyncio closes the connection it happened on, the others go on."""
    error = context.get("exception")
    _log.error(
        "listener: %s", context.get("message"), exc_info=error if isinstance(error, BaseException) else None
    )
