"""Three ways to hear what is on the air, none of which takes a message from anybody.

At a broker: as a further client with a name and a clean session of its own. With a daemon running:
by what it has put aside because nobody had configured it. With none: by the daemon's own
listener and intake, so that whatever is acknowledged is on disk, as ever.
"""

import queue
import secrets
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import NamedTuple, Protocol

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from collector.broker_secrets import credentials
from collector.clock import Clock
from collector.config import Config
from collector.domain import Rejected
from collector.errors import SourceError
from collector.intake import Intake
from collector.listener import Listener
from collector.payload import UNKNOWN_TOPIC, build_routes
from collector.source import Message, Sink
from collector.source_config import BrokerConfig
from collector.store.base import Store

_LOOK_BACK = timedelta(days=1)
_NEWEST = 4000
_LOOK_EVERY_S = 0.5
_UNROUTED = (UNKNOWN_TOPIC, "no quantity is known by the name")


class Overheard(NamedTuple):
    """A message as far as it is known; `whole` if that is all of it."""

    topic: str
    payload: bytes
    at: datetime
    retained: bool
    whole: bool


class Ear(Protocol):
    """A way to hear."""

    words: str

    def hear(self, wait_s: float) -> list[Overheard]:
        """Return what has come since, after at most `wait_s` seconds without any."""
        ...


class QueueEar:
    """Hears what other threads put in its queue."""

    def __init__(self, words: str) -> None:
        self.words = words
        self.queue: queue.Queue[Overheard | SourceError] = queue.Queue(maxsize=20_000)

    def put(self, item: Overheard | SourceError) -> None:
        """Take a message, or the reason why none will come; in a flood some are let go."""
        if not self.queue.full():
            self.queue.put(item)

    def hear(self, wait_s: float) -> list[Overheard]:
        """Return what has come; see `Ear`.

        Raises
        ------
        SourceError
            If nothing can come.
        """
        found: list[Overheard] = []
        try:
            item = self.queue.get(timeout=wait_s)
            while True:
                if isinstance(item, SourceError):
                    raise item
                found.append(item)
                item = self.queue.get_nowait()
        except queue.Empty:
            return found


class PutAsideEar:
    """Hears what a running daemon puts aside because no sensor is configured for it."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self.words = "what layday run has put aside within a day, and puts aside now"
        self._store = store
        self._since = clock.now() - _LOOK_BACK
        self._seen: set[Rejected] = set()
        self._looked_s = float("-inf")

    def hear(self, wait_s: float) -> list[Overheard]:
        """Return what was put aside since the last call; see `Ear`."""
        if time.monotonic() - self._looked_s < _LOOK_EVERY_S:
            time.sleep(wait_s)
            return []
        self._looked_s = time.monotonic()
        found = [item for item in reversed(self._store.rejected(_NEWEST)) if self._is_fresh(item)]
        self._seen = {item for item in [*self._seen, *found] if item.received_at >= self._since}
        return [
            Overheard(
                i.topic,
                i.payload_head,
                i.received_at,
                retained=False,
                whole=len(i.payload_head) == i.size_bytes,
            )
            for i in found
        ]

    def _is_fresh(self, item: Rejected) -> bool:
        unrouted = item.reason.startswith(_UNROUTED)
        return unrouted and item.received_at >= self._since and item not in self._seen


class _Overhearing:
    """A sink that hands everything on, and lets an ear know."""

    def __init__(self, sink: Sink, ear: QueueEar) -> None:
        self._sink = sink
        self._ear = ear

    def messages(self, batch: Sequence[Message]) -> None:
        """Hand messages on."""
        self._sink.messages(batch)
        for m in batch:
            self._ear.put(Overheard(m.topic, m.payload, m.received_at, m.retained, whole=True))

    def rejected(self, item: Rejected) -> None:
        """Hand the record of a bad one on."""
        self._sink.rejected(item)

    def has_room(self) -> bool:
        """Ask the other."""
        return self._sink.has_room()


@contextmanager
def at_broker(config: BrokerConfig, topic: str, clock: Clock) -> Iterator[QueueEar]:
    """Listen at a broker, at QoS 0 and with a clean session: nothing is acknowledged, nothing is left behind.

    Raises
    ------
    SourceError
        If the broker cannot be reached, or refuses.
    """
    password, context = credentials(config)
    ear = QueueEar(f"the broker {config.host}:{config.port}, topics {topic}")
    client = Client(CallbackAPIVersion.VERSION2, f"layday-listen-{secrets.token_hex(4)}", clean_session=True)
    if config.username:
        client.username_pw_set(config.username, password)
    if context:
        client.tls_set_context(context)
    _tell(ear, client, f"broker {config.host}:{config.port}", topic, clock)
    try:
        client.connect(config.host, config.port)
    except OSError as error:
        why = error.strerror or str(error)
        raise SourceError(f"broker {config.host}:{config.port} cannot be reached: {why}") from error
    client.loop_start()
    try:
        yield ear
    finally:
        client.disconnect()
        client.loop_stop()


def _tell(ear: QueueEar, client: Client, broker: str, topic: str, clock: Clock) -> None:
    """Have a client put into the ear what it hears of the topic, and that it may not."""

    def on_connect(
        _client: Client, _data: object, _flags: ConnectFlags, reason: ReasonCode, _more: Properties | None
    ) -> None:
        if reason.is_failure:
            ear.put(SourceError(f"{broker} refuses: {reason}; check [broker]"))
        else:
            client.subscribe(topic, 0)

    def on_subscribe(
        _client: Client, _data: object, _mid: int, reasons: list[ReasonCode], _more: Properties | None
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            ear.put(SourceError(f"broker refuses {topic!r}; name topics that are allowed: --topic 'yard/#'"))

    def on_message(_client: Client, _data: object, message: MQTTMessage) -> None:
        try:
            heard_topic = message.topic
        except UnicodeDecodeError:
            return
        ear.put(Overheard(heard_topic, bytes(message.payload), clock.now(), message.retain, whole=True))

    client.on_connect, client.on_subscribe, client.on_message = on_connect, on_subscribe, on_message


@contextmanager
def at_own_listener(config: Config, store: Store, clock: Clock) -> Iterator[QueueEar]:
    """Listen as the daemon would, which is not running: what is acknowledged is kept, or put aside.

    Raises
    ------
    SourceError
        If the listener cannot start.
    """
    routes = build_routes(config.sensor, config.feed)
    intake = Intake(
        store,
        routes,
        clock,
        redelivery_window_s=config.intake.redelivery_window_s,
        commit_every_s=config.intake.commit_every_s,
    )
    listener = Listener(config.listener, clock)
    ear = QueueEar(
        f"what sensors publish to {config.listener.host}:{config.listener.port}, in layday run's place"
    )
    intake.start()
    try:
        listener.start(_Overhearing(intake.sink(listener), ear))
        yield ear
    finally:
        intake.stop()
        listener.stop()
