"""Who gets in: client ids, passwords, and what a client is told when it is welcome."""

import asyncio
import secrets
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

from collector.listener.connection import Connection, Hold, Stage
from collector.listener.decoder import MAX_CONTROL_BYTES
from collector.listener.limits import Limits
from collector.listener.packets import Connect
from collector.listener.wire import MQTT_5, Property, PropertyValue, Reason, connack
from collector.passwords import PasswordBook
from collector.source_config import ListenerConfig

_LONGEST_CLIENT_ID = 128
_SERVER_KEEP_ALIVE_S = 600  # for MQTT 5 clients that would never show whether they live

Verdict = Callable[[Connection, Connect, Reason, str], None]


class Gate:
    """Judges CONNECTs. Passwords are checked one at a time in a thread of its own."""

    def __init__(self, config: ListenerConfig, limits: Limits, book: PasswordBook | None) -> None:
        self._config = config
        self._limits = limits
        self._book = book
        self._worker = ThreadPoolExecutor(max_workers=1, thread_name_prefix="listener-passwords")
        self._waiting: set[asyncio.Future[bool]] = set()

    def judge(self, connection: Connection, packet: Connect, verdict: Verdict) -> None:
        """Give a verdict on a CONNECT, at once or (the connection then waits) when it is known."""
        connection.client_id = packet.client_id or f"auto-{secrets.token_hex(8)}"
        reason, words = self._refusal(packet)
        if reason or self._book is None:
            verdict(connection, packet, reason, words)
            return
        user, password = packet.user or "", packet.password or b""
        if self._book.remembers(user, password):
            verdict(connection, packet, Reason.SUCCESS, "")
            return
        if len(self._waiting) >= self._limits.verifications:
            verdict(connection, packet, Reason.SERVER_BUSY, "too many passwords to check at once")
            return
        connection.stage = Stage.CHECKING
        connection.pause(Hold.CHECKING)
        loop = asyncio.get_running_loop()
        checked = loop.run_in_executor(self._worker, self._book.check, user, password)
        self._waiting.add(checked)
        checked.add_done_callback(lambda future: self._checked(connection, packet, verdict, future))

    def _checked(
        self, connection: Connection, packet: Connect, verdict: Verdict, future: asyncio.Future[bool]
    ) -> None:
        self._waiting.discard(future)
        if future.cancelled():
            return
        if future.result():
            verdict(connection, packet, Reason.SUCCESS, "")
            connection.go_on()
        else:
            verdict(connection, packet, Reason.BAD_USER_OR_PASSWORD, "wrong user or password")

    def _refusal(self, packet: Connect) -> tuple[Reason, str]:
        """Say what speaks against a client before its password is looked at."""
        if packet.has_authentication_method:
            return Reason.BAD_AUTHENTICATION_METHOD, "an authentication method; use user and password"
        if self._book is not None and (packet.user is None or packet.password is None):
            return Reason.NOT_AUTHORIZED, "no user and password, which are needed here"
        if not packet.client_id and not packet.clean_start and packet.version != MQTT_5:
            return Reason.CLIENT_ID_NOT_VALID, "a lasting session without a client id"
        if len(packet.client_id) > _LONGEST_CLIENT_ID:
            return Reason.CLIENT_ID_NOT_VALID, f"a client id of more than {_LONGEST_CLIENT_ID} characters"
        return Reason.SUCCESS, ""

    def welcome(self, connection: Connection, packet: Connect, *, session_present: bool) -> bytes:
        """Return the CONNACK for a client that is let in, and set its keep-alive."""
        connection.keep_alive_s = packet.keep_alive_s
        properties: dict[int, PropertyValue] = {
            Property.RECEIVE_MAXIMUM: self._limits.receive_maximum,
            Property.MAXIMUM_QOS: 1,
            Property.RETAIN_AVAILABLE: 1,  # taken like any message; a sensor is not shut out for the flag
            Property.MAXIMUM_PACKET_SIZE: self._config.max_payload_bytes + MAX_CONTROL_BYTES,
            Property.TOPIC_ALIAS_MAXIMUM: 0,
            Property.WILDCARD_SUBSCRIPTION_AVAILABLE: 0,
            Property.SUBSCRIPTION_ID_AVAILABLE: 0,
            Property.SHARED_SUBSCRIPTION_AVAILABLE: 0,
        }
        if packet.version == MQTT_5:
            if not packet.client_id:
                properties[Property.ASSIGNED_CLIENT_ID] = connection.client_id
            if not packet.keep_alive_s:
                connection.keep_alive_s = _SERVER_KEEP_ALIVE_S
                properties[Property.SERVER_KEEP_ALIVE] = _SERVER_KEEP_ALIVE_S
        return connack(packet.version, Reason.SUCCESS, properties, session_present=session_present)

    def close(self) -> None:
        """Check no more passwords."""
        for future in tuple(self._waiting):
            future.cancel()
        self._worker.shutdown(wait=False, cancel_futures=True)
