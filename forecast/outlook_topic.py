"""The newest outlook as a retained message on the yard's broker, for other programs to read."""

import logging
from collections.abc import Callable

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from collector.broker_secrets import credentials
from collector.errors import SourceError
from collector.source_config import BrokerConfig

_log = logging.getLogger(__name__)


class OutlookTopic:
    """Publishes to ``layday/<shed>/outlook``, QoS 1, retained; nothing in it raises.

    A broker that is away gets the newest outlook when it is back.
    """

    def __init__(self, config: BrokerConfig, shed: str) -> None:
        self.topic = f"layday/{shed}/outlook"
        self._newest: str | None = None
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{config.client_id}-outlook",
            protocol=MQTTProtocolVersion.MQTTv311,
        )
        self._client.on_connect = lambda *_: self._send()
        self._client.max_queued_messages_set(1)
        self._try(lambda: self._connect(config))

    def publish(self, text: str) -> None:
        """Publish an outlook, now or when the broker is back."""
        self._newest = text
        if self._client.is_connected():
            self._send()

    def close(self) -> None:
        """Leave the broker."""
        self._try(self._client.disconnect)
        self._try(self._client.loop_stop)

    def _connect(self, config: BrokerConfig) -> None:
        password, context = credentials(config)
        if config.username:
            self._client.username_pw_set(config.username, password)
        if context is not None:
            self._client.tls_set_context(context)
        self._client.connect_async(config.host, config.port, config.keep_alive_s)
        self._client.loop_start()

    def _send(self) -> None:
        newest = self._newest
        if newest is not None:
            self._try(lambda: self._client.publish(self.topic, newest, qos=1, retain=True))

    def _try(self, act: Callable[[], object]) -> None:
        try:
            act()
        except (OSError, ValueError, RuntimeError, SourceError) as error:
            _log.warning("the outlook is not published: %s", error)
