"""How a connection to the broker ended, in words, and how long to wait before the next try."""

import socket
import ssl
from dataclasses import dataclass
from enum import Enum, auto
from random import Random

from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode


class EndKind(Enum):
    """What the next try must take into account."""

    STOPPED = auto()
    ABSENT = auto()
    LOST = auto()
    UNANSWERED = auto()
    OLD_PROTOCOL = auto()
    WIRE_BROKEN = auto()
    DENIED = auto()
    TAKEN_OVER = auto()


@dataclass(frozen=True, slots=True)
class End:
    """Why a connection ended; `words` reads after "broker …" to a person."""

    kind: EndKind
    words: str


STOPPED = End(EndKind.STOPPED, "stopped")


@dataclass(frozen=True, slots=True)
class Pace:
    """Times, in seconds, that rule connecting and watching.

    A connection that stood for `settled_s` starts the back-off afresh; `denied_s` is the
    slow step after wrong credentials or an untrusted certificate, which no haste will cure.
    A network thread that shows no life for 1.5 keep-alives and `hang_extra_s` is given up.
    """

    base_s: float = 1.0
    cap_s: float = 60.0
    denied_s: float = 60.0
    settled_s: float = 10.0
    connect_timeout_s: float = 5.0
    connack_timeout_s: float = 10.0
    watch_every_s: float = 0.5
    hang_extra_s: float = 10.0


DEFAULT_PACE = Pace()


class Backoff:
    """Full-jitter exponential back-off: a random share of a doubling, capped step.

    The whole step is random so that many clients of one broker do not return in one wave
    (M. Brooker, "Exponential Backoff And Jitter", AWS Architecture Blog, 2015).
    """

    def __init__(self, pace: Pace, random: Random) -> None:
        self._pace = pace
        self._random = random
        self._tries = 0

    def wait_s(self, kind: EndKind, stood_s: float) -> float:
        """Return the seconds to wait after a connection that ended as `kind`, having stood `stood_s`."""
        if kind in (EndKind.OLD_PROTOCOL, EndKind.WIRE_BROKEN):
            return 0.0
        if kind is EndKind.DENIED:
            return self._random.uniform(0.5, 1.0) * self._pace.denied_s
        if stood_s >= self._pace.settled_s:
            self._tries = 0
        step_s = min(self._pace.cap_s, self._pace.base_s * 2.0 ** min(self._tries, 30))
        self._tries += 1
        return self._random.uniform(0.0, step_s)


def end_of_error(error: OSError, host: str) -> End:
    """Say in plain words what an operating system or TLS error means here."""
    if isinstance(error, ssl.SSLError):
        return _end_of_tls(error)
    if isinstance(error, socket.gaierror):
        return End(
            EndKind.ABSENT, f"no computer called {host!r} can be found; check broker.host and the network"
        )
    if isinstance(error, ConnectionRefusedError):
        return End(EndKind.ABSENT, "broker does not answer (connection refused)")
    if isinstance(error, ConnectionResetError | ConnectionAbortedError | BrokenPipeError):
        return end_of_code(MQTTErrorCode.MQTT_ERR_CONN_LOST, accepted=False)
    if isinstance(error, TimeoutError):
        return End(EndKind.ABSENT, "broker does not answer (timed out)")
    return End(EndKind.ABSENT, f"broker cannot be reached ({(error.strerror or str(error)).lower()})")


def _end_of_tls(error: ssl.SSLError) -> End:
    if isinstance(error, ssl.SSLCertVerificationError):
        what = f"certificate is not trusted ({error.verify_message}); check broker.tls_ca_file"
        return End(EndKind.DENIED, f"broker's {what}")
    reason = (error.reason or "handshake failed").lower().replace("_", " ")
    return End(EndKind.DENIED, f"broker does not speak TLS as we do ({reason}); check broker.tls")


def end_of_refusal(reason: ReasonCode, user: str) -> End:
    """Say why the broker refused our CONNECT (MQTT 5, table 3-1; 3.1.1 codes come translated)."""
    name = str(reason)
    if name == "Unsupported protocol version":
        return End(EndKind.OLD_PROTOCOL, "broker does not speak MQTT 5")
    if name in ("Bad user name or password", "Not authorized", "Bad authentication method", "Banned"):
        who = f"user {user!r}" if user else "a client without user name"
        return End(
            EndKind.DENIED,
            f"broker refuses {who} ({name.lower()}); check broker.username and broker.password_file",
        )
    return End(EndKind.LOST, f"broker refuses the connection ({name.lower()})")


def end_of_disconnect(reason: ReasonCode | None, client_id: str) -> End:
    """Say why the broker sent DISCONNECT (MQTT 5, table 3-13)."""
    name = str(reason) if reason is not None else ""
    if name == "Session taken over":
        return End(EndKind.TAKEN_OVER, taken_over_words(client_id, sure=True))
    return End(EndKind.LOST, f"broker ended the connection ({name.lower() or 'no reason given'})")


def end_of_code(code: MQTTErrorCode, *, accepted: bool) -> End:
    """Say what paho's error code means, before or after the broker accepted us."""
    if code == MQTTErrorCode.MQTT_ERR_KEEPALIVE:
        return End(EndKind.LOST, "broker stopped answering")
    if accepted and code == MQTTErrorCode.MQTT_ERR_PROTOCOL:
        return End(EndKind.LOST, "broker sent what is not MQTT")
    if accepted:
        return End(EndKind.LOST, "connection to the broker was lost")
    if code == MQTTErrorCode.MQTT_ERR_PROTOCOL:
        return End(
            EndKind.UNANSWERED, "what answers there does not speak MQTT; check broker.host and broker.port"
        )
    return End(EndKind.UNANSWERED, "broker closed the connection before accepting it")


def taken_over_words(client_id: str, *, sure: bool) -> str:
    """Name the clash of two clients under one id, and its cure."""
    start = "another client" if sure else "connections end as soon as they begin: probably another client"
    return f"{start} uses the id {client_id!r} on this broker and pushes us out; give one another client_id"
