"""Source 1: subscribe to the yard's own MQTT broker, and lose nothing it has accepted."""

import logging
import threading
import time
from collections.abc import Sequence
from datetime import datetime
from random import Random, SystemRandom

from paho.mqtt.enums import MQTTProtocolVersion

from collector.broker_bulk import best_wire
from collector.broker_link import Link, LinkSettings, Memory
from collector.broker_retry import DEFAULT_PACE, STOPPED, Backoff, End, EndKind, Pace, taken_over_words
from collector.broker_secrets import credentials
from collector.broker_wire import StockWire
from collector.clock import Clock
from collector.errors import SourceError
from collector.source import Sink, SourceStatus
from collector.source_config import BrokerConfig

_log = logging.getLogger(__name__)
_MQTT5, _MQTT311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311
_STOP_S = 0.7
_SILENCE = 1.5  # keep-alives without a packet: the limit MQTT sets brokers (5.0, section 3.1.2.10)
_BRIEF_S = 5.0
_BRIEF_RUN = 3
_NOTE_S = 600.0


class BrokerClient:
    """Messages of a broker's topics, each acknowledged only when intake says it is on disk.

    The session outlives the connection and the process: while layday is away the broker
    keeps what arrives (as far as its own limits allow; see ``hardware/broker``). It speaks
    MQTT 5, or 3.1.1 where the broker refuses 5. A broker that is absent is waited for.

    Parameters
    ----------
    config
        Where the broker is and how to log in.
    topics
        The topics (or filters) to subscribe to, at QoS 1.
    clock
        Where receive times come from.
    pace
        Times that rule connecting and watching.
    random
        Where the back-off's jitter comes from.
    """

    def __init__(
        self,
        config: BrokerConfig,
        topics: Sequence[str],
        clock: Clock,
        *,
        pace: Pace = DEFAULT_PACE,
        random: Random | None = None,
    ) -> None:
        self._config = config
        self._topics = tuple(dict.fromkeys(topics))
        self._clock = clock
        self._pace = pace
        self._backoff = Backoff(pace, random or SystemRandom())
        self._wire = best_wire()
        self._protocol = _MQTT5
        self._unanswered = 0
        self._brief_run = 0
        self._clash: tuple[str, float] | None = None
        self._memory = Memory()
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._link: Link | None = None
        self._generation = 0
        self._why = ""
        self._next_try_s = 0.0
        self._since = clock.now()
        self._restarts = 0
        self._sink: Sink | None = None
        self._worker: threading.Thread | None = None
        self._abandoned = threading.Event()
        self._watchdog: threading.Thread | None = None

    @property
    def name(self) -> str:
        """The source's name, as in ``broker 127.0.0.1:1883``."""
        return f"broker {self._address}"

    @property
    def _address(self) -> str:
        return f"{self._config.host}:{self._config.port}"

    def start(self, sink: Sink) -> None:
        """Begin to connect and deliver, in threads of its own.

        Raises
        ------
        SourceError
            If a password or certificate file cannot be used. An absent broker is no error.
        """
        if self._watchdog is not None:
            raise SourceError(f"{self.name} was started before; make another one")
        credentials(self._config)
        self._sink = sink
        self._since = self._clock.now()
        self._start_worker()
        self._watchdog = threading.Thread(target=self._watch, name=f"{self.name} watchdog", daemon=True)
        self._watchdog.start()

    def acknowledge(self, tokens: Sequence[object]) -> None:
        """Tell the broker that these messages are on disk; tokens of earlier connections are dropped."""
        link = self._link
        if link is not None:
            link.acknowledge(tokens)

    def stop(self) -> None:
        """Flush the acknowledgements given so far, leave the session with the broker, close; under 1 s."""
        with self._lock:
            self._stopping.set()
            link, worker = self._link, self._worker
        if link is not None:
            link.end(STOPPED)
        if worker is not None:
            worker.join(_STOP_S)  # a thread inside a slow name look-up ends by itself later
        self._since = self._clock.now()

    def status(self) -> SourceStatus:
        """Return how the connection is doing, in words a person can act on."""
        link, memory = self._link, self._memory
        connected_at = link.connected_at if link is not None and not self._stopping.is_set() else None
        if self._stopping.is_set():
            words = "stopped"
        elif connected_at:
            words = "; ".join(
                [f"connected to {self._address} since {self._hour(connected_at)}", *self._notes()]
            )
        else:
            words = self._waiting_words()
        return SourceStatus(
            name=self.name,
            connected=connected_at is not None,
            words=words,
            since=connected_at or self._since,
            last_packet_at=memory.last_packet_at,
            connections=memory.connections,
            received_count=memory.received,
            dropped_count=memory.put_aside,
        )

    def _hour(self, at: datetime) -> str:
        today = self._clock.now().date() == at.date()
        return at.strftime("%H:%M UTC" if today else "%Y-%m-%d %H:%M UTC")

    def _waiting_words(self) -> str:
        wait_s = self._next_try_s - time.monotonic()
        words = self._why or f"connecting to {self._address}"
        clash = self._clash_words()
        if clash and clash not in words:
            words = f"{words}; {clash}"
        if self._why:
            words += f"; trying again in {wait_s:.0f} s" if wait_s >= 1 else "; trying again now"
        return words

    def _notes(self) -> list[str]:
        """Say what is amiss although the broker is connected."""
        memory, link, notes = self._memory, self._link, []
        if link is not None and link.paused:
            notes.append("not reading, since the store has no room")
        if memory.refused:
            notes.append(f"broker refuses {_some(memory.refused)}; check its access list")
        if memory.unassured:
            notes.append(f"broker gives {_some(memory.unassured)} without acknowledgement (QoS 0)")
        if self._clash_words():
            notes.append(self._clash_words())
        if self._restarts:
            notes.append(f"network thread restarted {self._restarts} times")
        return notes

    def _clash_words(self) -> str:
        clash = self._clash
        return clash[0] if clash and time.monotonic() - clash[1] < _NOTE_S else ""

    def _start_worker(self) -> None:
        self._abandoned = threading.Event()
        self._worker = threading.Thread(
            target=self._work, args=(self._abandoned,), name=f"{self.name} network", daemon=True
        )
        self._worker.start()

    def _work(self, abandoned: threading.Event) -> None:
        """Connect again and again, until stopped or abandoned by the watchdog."""
        while (link := self._next_link(abandoned)) is not None:
            end = link.run()
            stood_s = link.stood_s()
            if abandoned.is_set():
                return
            self._learn(end, stood_s)
            wait_s = self._backoff.wait_s(end.kind, stood_s)
            if end.kind is not EndKind.STOPPED and end.words != self._why:  # once, however often it fails
                _log.warning("%s: %s", self.name, end.words)
            self._why, self._next_try_s = end.words, time.monotonic() + wait_s
            self._link, self._since = None, self._clock.now()
            self._stopping.wait(wait_s)

    def _next_link(self, abandoned: threading.Event) -> Link | None:
        with self._lock:
            if self._stopping.is_set() or abandoned.is_set() or self._sink is None:
                return None
            self._generation += 1
            settings = LinkSettings(
                self._config, self._topics, self._clock, self._pace, self._protocol, self._wire
            )
            self._link = Link(settings, self._generation, self._sink, self._memory)
            return self._link

    def _learn(self, end: End, stood_s: float) -> None:
        """Choose the protocol for the next try, and notice a second client under our id."""
        self._unanswered = self._unanswered + 1 if end.kind is EndKind.UNANSWERED else 0
        if end.kind is EndKind.WIRE_BROKEN:
            self._wire = StockWire
        if end.kind is EndKind.OLD_PROTOCOL:
            self._protocol = _MQTT311
        elif self._unanswered and self._unanswered % 2 == 0:
            # some brokers hang up on MQTT 5 instead of refusing it
            self._protocol = _MQTT311 if self._protocol == _MQTT5 else _MQTT5
        brief = end.kind is EndKind.LOST and 0 < stood_s < _BRIEF_S
        self._brief_run = self._brief_run + 1 if brief else 0
        if end.kind is EndKind.TAKEN_OVER:
            self._clash = end.words, time.monotonic()
        elif self._brief_run >= _BRIEF_RUN:
            self._clash = taken_over_words(self._config.client_id, sure=False), time.monotonic()

    def _watch(self) -> None:
        """Rebuild the connection when its thread has died or hangs, or the broker has gone silent."""
        while not self._stopping.wait(self._pace.watch_every_s):
            try:
                self._look()
            except Exception:  # noqa: BLE001  a watchdog that dies watches nothing
                _log.exception("the watchdog of %s stumbled", self.name)

    def _look(self) -> None:
        worker, link = self._worker, self._link
        now_s = time.monotonic()
        silence_s = _SILENCE * self._config.keep_alive_s
        if worker is not None and not worker.is_alive():
            self._replace_worker("network thread died")
        elif link is None:
            return
        elif now_s - link.beat_s > silence_s + self._pace.hang_extra_s:
            self._replace_worker("network thread hangs")
        elif link.connected_at and not link.paused and now_s - link.last_packet_s > silence_s:
            link.end(End(EndKind.LOST, f"broker has been silent for {silence_s:.0f} s"))

    def _replace_worker(self, why: str) -> None:
        """Give up on a thread and start another; its packet ids are worthless from here on."""
        with self._lock:
            if self._stopping.is_set():
                return
            _log.error("%s: %s; starting another", self.name, why)
            self._abandoned.set()
            link, self._link = self._link, None
            self._why, self._since = why, self._clock.now()
            self._restarts += 1
        if link is not None:
            link.end(End(EndKind.LOST, why))
        self._start_worker()


def _some(topics: Sequence[str]) -> str:
    """Name one topic and count the rest."""
    rest = f" and {len(topics) - 1} more" if len(topics) > 1 else ""
    return f"{topics[0]!r}{rest}"
