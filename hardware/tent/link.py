"""A node's way to the broker: QoS 1 over MQTT 3.1.1 and a ring of unacknowledged messages.

A node measures whether or not it is connected. What is not acknowledged stays in its ring and is sent again,
oldest first, over a fresh clean session after every loss of the connection, as the real node does: nothing is
lost until the ring is full, and the receiver may see a message twice.
"""

import logging
import threading
import time
from collections import deque

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from hardware.tent.node import OFFLINE, ONLINE, readings_topic, status_topic

_LOG = logging.getLogger(__name__)
_TURN_S = 0.02
_KEEP_ALIVE_S = 30
_CONNECT_WITHIN_S = 5.0
_FIRST_BACK_OFF_S, _LONGEST_BACK_OFF_S = 0.1, 5.0


class Link:
    """One node's way to the broker: a ring of messages and a thread that gets them acknowledged.

    Parameters
    ----------
    node : str
        The node's name; its client id is ``tunnel-NODE``.
    address : tuple of str and int
        Host and port of a broker, or of layday's own listener.
    login : tuple of str and str, optional
        User and password.
    ring : int
        Messages kept at most; the oldest goes first.
    window : int
        Messages on their way at a time.
    """

    def __init__(
        self,
        node: str,
        address: tuple[str, int],
        login: tuple[str, str] | None = None,
        ring: int = 20_000,
        window: int = 20,
    ) -> None:
        self._node, self._address, self._login = node, address, login
        self._window = window
        self._waiting: deque[tuple[int, bytes]] = deque(maxlen=ring)
        self._lock = threading.Lock()
        self._sent: dict[int, int] = {}
        self._sent_upto = -1
        self._next = 0
        self._stopping = threading.Event()
        self._away = threading.Event()
        self._connected = False
        self._back_off_s = _FIRST_BACK_OFF_S
        self.acked = 0
        self.lost = 0
        self._thread = threading.Thread(target=self._run, name=f"tent-{node}", daemon=True)

    def start(self) -> None:
        """Begin to connect and send."""
        self._thread.start()

    def stop(self, within_s: float) -> None:
        """Give what is waiting `within_s` seconds to be acknowledged, then part from the broker."""
        deadline_s = time.monotonic() + within_s
        while self.waiting and time.monotonic() < deadline_s and self._connected:
            time.sleep(_TURN_S)
        self._stopping.set()
        self._thread.join(timeout=_CONNECT_WITHIN_S + 2.0)

    def put(self, message: bytes) -> None:
        """Take a message into the ring."""
        with self._lock:
            self.lost += len(self._waiting) == self._waiting.maxlen
            self._waiting.append((self._next, message))
            self._next += 1

    def be_away(self, away: bool) -> None:  # noqa: FBT001  a state, named by the method
        """Cut the network (True) or mend it (False)."""
        if away:
            self._away.set()
        else:
            self._away.clear()

    @property
    def waiting(self) -> int:
        """Messages not acknowledged yet."""
        with self._lock:
            return len(self._waiting)

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted the connection."""
        return self._connected

    def _run(self) -> None:
        while not self._stopping.is_set():
            if self._away.is_set():
                self._stopping.wait(_TURN_S)
                continue
            try:
                self._session()
            except (OSError, ValueError) as error:
                _LOG.info("node %s cannot reach %s:%d: %s", self._node, *self._address, error)
            self._connected = False
            self._stopping.wait(self._back_off_s)
            self._back_off_s = min(2 * self._back_off_s, _LONGEST_BACK_OFF_S)

    def _session(self) -> None:
        """Live through one connection, from connecting to its loss."""
        client = self._client()
        self._sent.clear()
        self._sent_upto = -1
        client.connect(*self._address, keepalive=_KEEP_ALIVE_S)
        while client.loop(timeout=_TURN_S) == MQTTErrorCode.MQTT_ERR_SUCCESS:
            if self._away.is_set():
                self._vanish(client)
            elif self._stopping.is_set():
                self._part(client)
                return
            elif self._connected:
                self._send(client)

    def _client(self) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, f"tunnel-{self._node}", clean_session=True)
        client.connect_timeout = _CONNECT_WITHIN_S
        client.max_inflight_messages_set(self._window)
        if self._login is not None:
            client.username_pw_set(*self._login)
        client.will_set(status_topic(self._node), OFFLINE, qos=1, retain=True)
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        return client

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: object,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: object,
    ) -> None:
        if reason.is_failure:
            _LOG.warning("node %s is refused by %s:%d: %s", self._node, *self._address, reason)
            return
        self._connected = True
        self._back_off_s = _FIRST_BACK_OFF_S
        client.publish(status_topic(self._node), ONLINE, qos=1, retain=True)

    def _on_publish(
        self, _client: mqtt.Client, _data: object, packet_id: int, _reason: ReasonCode, _properties: object
    ) -> None:
        number = self._sent.pop(packet_id, None)
        if number is None:
            return
        with self._lock:
            for i, (waiting, _) in enumerate(self._waiting):
                if waiting == number:
                    del self._waiting[i]
                    self.acked += 1
                    return

    def _send(self, client: mqtt.Client) -> None:
        """Put the oldest unsent messages on their way, as far as the window has room."""
        room = self._window - len(self._sent)
        with self._lock:
            unsent = [item for item in self._waiting if item[0] > self._sent_upto][:room] if room > 0 else []
        for number, message in unsent:
            info = client.publish(readings_topic(self._node), message, qos=1)
            if info.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            self._sent[info.mid] = number
            self._sent_upto = number

    def _vanish(self, client: mqtt.Client) -> None:
        """Drop the connection without a word, so that the last will speaks."""
        sock = client.socket()
        if sock is not None:
            sock.close()

    def _part(self, client: mqtt.Client) -> None:
        if not self._connected:
            return
        farewell = client.publish(status_topic(self._node), OFFLINE, qos=1, retain=True)
        deadline_s = time.monotonic() + 1.0
        while not farewell.is_published() and time.monotonic() < deadline_s:
            if client.loop(timeout=_TURN_S) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
        client.disconnect()
        client.loop(timeout=_TURN_S)
