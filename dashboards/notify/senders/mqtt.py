"""The yard's broker: what stands, retained; a last will if layday dies; and answers from other machines.

Topics below ``layday/<shed>/``: ``watch`` (on, off, or by the last will: no word), ``alarms`` (all that
stand), ``notices/<thread>`` (the newest message of a thread), all retained; ``alarms/ack`` takes the names
of alarms that somebody has seen. Nothing that arrives there does anything else.
"""

import json
import logging
import re
import threading
from collections.abc import Callable
from datetime import datetime

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.broker_secrets import credentials
from collector.errors import SourceError
from collector.source_config import BrokerConfig
from dashboards.notify.sender import Answer, Limits, Outcome, Outgoing
from dashboards.notify.senders.http import message_json

KEEP_ALIVE_S = 10
"""Half as long again after a hang the broker gives our last will."""
WAIT_S = 10.0
_WATCH_SCHEMA = "layday/watch/1"
_NAME = re.compile(r"a[1-9][0-9]{0,8}|all")
_MOST_BYTES = 200

_log = logging.getLogger(__name__)

Acknowledge = Callable[[list[str], str], None]
"""Called with names of alarms, and who has seen them."""


def watch_json(state: str, at: datetime | None = None) -> str:
    """Return the word on the watch as ``layday/watch/1``."""
    word: dict[str, object] = {"schema": _WATCH_SCHEMA, "state": state}
    if at is not None:
        word["at"] = at.isoformat().replace("+00:00", "Z")
    return json.dumps(word)


def names_in(payload: bytes) -> list[str]:
    """Return the alarms that a message names: ``a12``, ``a12 a13`` or ``all``; nothing where it is else.

    >>> names_in(b"a12 a13"), names_in(b"heater off")
    (['a12', 'a13'], [])
    """
    if len(payload) > _MOST_BYTES:
        return []
    words = payload.decode(errors="replace").split()
    return words if words and all(_NAME.fullmatch(word) for word in words) else []


class MqttSender:
    """A client of the yard's broker; it connects by itself, and again."""

    limits = Limits(head_chars=500, text_chars=20_000, edits=True)

    def __init__(
        self, broker: BrokerConfig, shed: str, acknowledge: Acknowledge | None = None, wait_s: float = WAIT_S
    ) -> None:
        self._base = f"layday/{shed}"
        self._wait_s = wait_s
        self._acknowledge = acknowledge
        self._connected = threading.Event()
        self._why = "not connected yet"
        self._standing: dict[str, str] = {}
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{broker.client_id}-watch",
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self._client.will_set(f"{self._base}/watch", watch_json("no word"), qos=1, retain=True)
        self._client.on_connect = lambda *_: self._on_connect()
        self._client.on_disconnect = lambda *_: self._connected.clear()
        self._client.on_message = lambda _client, _data, message: self._on_message(message)
        self._try(lambda: self._connect(broker))

    def send(self, outgoing: Outgoing) -> Answer:
        """Publish a message to its thread's topic, retained."""
        if not self._connected.wait(self._wait_s):
            return Answer(Outcome.LATER, self._why)
        try:
            sent = self._client.publish(
                f"{self._base}/notices/{outgoing.thread}",
                json.dumps(message_json(outgoing), ensure_ascii=False),
                qos=1,
                retain=True,
            )
            sent.wait_for_publish(self._wait_s)
        except (OSError, ValueError, RuntimeError) as error:
            return Answer(Outcome.LATER, f"{type(error).__name__}: {error}")
        if not sent.is_published():
            return Answer(Outcome.LATER, f"broker did not acknowledge within {self._wait_s:g} s")
        return Answer(Outcome.SENT, "taken by the broker")

    def show(self, topic: str, text: str) -> None:
        """Keep a retained message as it should be, now and whenever the broker comes back."""
        if self._standing.get(topic) == text:
            return
        self._standing[topic] = text
        if self._connected.is_set():
            self._publish(topic, text)

    def close(self, at: datetime | None = None) -> None:
        """Leave in good order: the watch is off, and the last will is not given."""
        if self._connected.is_set():
            self._try(
                lambda: self._client.publish(
                    f"{self._base}/watch", watch_json("off", at), qos=1, retain=True
                ).wait_for_publish(1.0)
            )
        self._try(self._client.disconnect)
        self._try(self._client.loop_stop)

    def _connect(self, broker: BrokerConfig) -> None:
        password, context = credentials(broker)
        if broker.username:
            self._client.username_pw_set(broker.username, password)
        if context is not None:
            self._client.tls_set_context(context)
        self._client.connect_async(broker.host, broker.port, KEEP_ALIVE_S)
        self._client.loop_start()

    def _on_connect(self) -> None:
        self._why = "connected"
        self._connected.set()
        if self._acknowledge is not None:
            self._try(lambda: self._client.subscribe(f"{self._base}/alarms/ack", qos=1))
        for topic, text in list(self._standing.items()):
            self._publish(topic, text)

    def _on_message(self, message: MQTTMessage) -> None:
        """Take an answer; a retained one would answer alarms that nobody has seen yet."""
        if message.retain or self._acknowledge is None:
            return
        if names := names_in(bytes(message.payload)):
            acknowledge = self._acknowledge
            self._try(lambda: acknowledge(names, "mqtt"))

    def _publish(self, topic: str, text: str) -> None:
        self._try(lambda: self._client.publish(f"{self._base}/{topic}", text, qos=1, retain=True))

    def _try(self, act: Callable[[], object]) -> None:
        try:
            act()
        except Exception as error:  # noqa: BLE001  in paho's thread an exception would end it for good
            self._why = f"{type(error).__name__}" if not isinstance(error, SourceError) else str(error)
            _log.warning("the broker does not learn of it: %s", self._why)
