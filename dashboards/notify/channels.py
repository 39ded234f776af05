"""From the configuration to ways of sending."""

from collections.abc import Mapping

from collector.config import Config
from collector.errors import SourceError
from collector.notify_config import ChannelConfig
from collector.source_config import BrokerConfig
from dashboards.notify.sender import Sender
from dashboards.notify.senders.http import PushSender, WebhookSender
from dashboards.notify.senders.local import BellSender, CommandSender
from dashboards.notify.senders.mail import MailSender
from dashboards.notify.senders.mqtt import Acknowledge, MqttSender
from dashboards.notify.senders.others import OtherSender


def open_senders(config: Config, acknowledge: Acknowledge | None = None) -> Mapping[str, Sender]:
    """Return every configured channel's sender by its name.

    Raises
    ------
    SourceError
        If one can never work as configured.
    """
    return {one.name: open_sender(one, config, acknowledge) for one in config.channel}


def open_sender(channel: ChannelConfig, config: Config, acknowledge: Acknowledge | None = None) -> Sender:
    """Return one channel's sender.

    Raises
    ------
    SourceError
        If it can never work as configured.
    """
    try:
        return _opened(channel, config, acknowledge)
    except OSError as error:  # a certificate file
        raise SourceError(f"channel {channel.name}: {channel.tls_ca_file}: {error}") from error


def _opened(channel: ChannelConfig, config: Config, acknowledge: Acknowledge | None) -> Sender:
    if channel.kind == "mqtt":
        return MqttSender(_broker_of(channel, config.broker), config.shed.name, acknowledge)
    makers = {
        "email": MailSender,
        "push": PushSender,
        "webhook": WebhookSender,
        "command": CommandSender,
        "bell": BellSender,
        "apprise": OtherSender,
    }
    made: Sender = makers[channel.kind](channel)
    return made


def _broker_of(channel: ChannelConfig, broker: BrokerConfig | None) -> BrokerConfig:
    """Return the broker that a channel names, else the yard's."""
    if channel.host:
        return BrokerConfig(
            host=channel.host,
            port=channel.port or 1883,
            username=channel.username,
            password_file=channel.password_file,
            tls=channel.tls == "tls",
            tls_ca_file=channel.tls_ca_file,
        )
    if broker is None:
        raise SourceError(f"channel {channel.name}: give it a host, or write a [broker] table")
    return broker
