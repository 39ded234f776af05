"""An outdoor forecast that somebody keeps as a retained message on the yard's broker."""

import threading

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from collector.broker_secrets import credentials
from collector.errors import InputError, SourceError
from collector.source_config import BrokerConfig

WAIT_S = 10.0
_LARGEST_BYTES = 8_000_000


def retained(broker: BrokerConfig, topic: str, wait_s: float = WAIT_S) -> str:
    """Return the text retained on `topic`: connect, take it, leave.

    Parameters
    ----------
    broker : BrokerConfig
    topic : str
    wait_s : float
        How long to wait for all of it [s].

    Raises
    ------
    InputError
        If the broker cannot be reached or refuses, nothing is retained there, or it is no text.
    """
    heard: list[bytes] = []
    refused: list[str] = []
    done = threading.Event()

    def on_connect(client: Client, _data: object, _flags: object, code: ReasonCode, _more: object) -> None:
        if code.is_failure:
            refused.append(str(code))
            done.set()
            return
        client.subscribe(topic, qos=1)

    def on_message(_client: Client, _data: object, message: MQTTMessage) -> None:
        heard.append(bytes(message.payload))
        done.set()

    client = Client(CallbackAPIVersion.VERSION2, client_id="")
    client.on_connect = on_connect
    client.on_message = on_message
    _connect(client, broker)
    client.loop_start()
    try:
        done.wait(wait_s)
    finally:
        client.disconnect()
        client.loop_stop()
    if refused:
        raise InputError(f"the broker {broker.host}:{broker.port} refuses: {refused[0]}")
    if not heard:
        raise InputError(f"nothing is retained on {topic!r} of {broker.host}:{broker.port}")
    return _text(heard[0], topic)


def _connect(client: Client, broker: BrokerConfig) -> None:
    try:
        password, context = credentials(broker)
        if broker.username:
            client.username_pw_set(broker.username, password)
        if context is not None:
            client.tls_set_context(context)
        client.connect(broker.host, broker.port, keepalive=30)
    except (OSError, SourceError, ValueError) as error:
        raise InputError(f"the broker {broker.host}:{broker.port} cannot be reached: {error}") from error


def _text(payload: bytes, topic: str) -> str:
    if len(payload) > _LARGEST_BYTES:
        raise InputError(f"{topic!r} holds more than {_LARGEST_BYTES // 1_000_000} MB: that is no forecast")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"{topic!r} holds no UTF-8 text: {error}") from error
