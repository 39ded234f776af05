"""The `[notify]` and `[[channel]]` tables: who is told, when, and on which way."""

import ipaddress
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import Field, model_validator

from collector.config_base import Model, ModelName, SecretFile

ChannelKind = Literal["email", "push", "webhook", "mqtt", "command", "bell", "apprise"]
CHANNEL_FILES = ("tls_ca_file", "password_file", "token_file", "url_file")
_Clock = Annotated[str, Field(pattern=r"^(([01]\d|2[0-3]):[0-5]\d)?$")]
_NEEDED = {
    "email": ("host", "sender", "to"),
    "push": ("url", "topic"),
    "webhook": ("url",),
    "mqtt": (),
    "command": ("command",),
    "bell": ("device",),
    "apprise": ("url_file",),
}


class NotifyConfig(Model):
    """Who is told, in which order of channels, and when nobody is to be disturbed."""

    first: Annotated[tuple[ModelName, ...], Field(description="channels to try in order")] = ()
    second: Annotated[
        tuple[ModelName, ...], Field(description="of whoever is told where nobody answers")
    ] = ()
    quiet_from: Annotated[_Clock, Field(description="empty: no quiet hours")] = "22:00"
    quiet_to: _Clock = "06:30"
    escalate_min: Annotated[float, Field(ge=5, le=240)] = 25.0
    evening: Annotated[_Clock, Field(description="word that the watch is on; empty: none")] = "21:00"
    morning: Annotated[_Clock, Field(description="how the night went; empty: none")] = "06:30"
    no_word_min: Annotated[
        float, Field(ge=20, le=720, description="a push server tells of layday's silence after this")
    ] = 60.0

    @model_validator(mode="after")
    def _both_ends(self) -> "NotifyConfig":
        if bool(self.quiet_from) != bool(self.quiet_to):
            raise ValueError("quiet_from and quiet_to go together; give both or empty both")
        return self


class ChannelConfig(Model):
    """One way to tell somebody: a mailbox, a push topic, a web address, a command; secrets stand in files."""

    name: ModelName
    kind: ChannelKind
    host: str = ""
    port: Annotated[int, Field(ge=0, le=65535, description="0: the usual one")] = 0
    tls: Annotated[
        Literal["starttls", "tls", "off"], Field(description="email; off only to this computer")
    ] = "starttls"
    tls_ca_file: SecretFile = ""
    username: str = ""
    password_file: SecretFile = ""
    sender: str = ""
    to: str = ""
    url: Annotated[str, Field(pattern=r"^(https?://\S+)?$")] = ""
    topic: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{0,64}$")] = ""
    token_file: SecretFile = ""
    command: tuple[str, ...] = ()
    device: str = ""
    url_file: SecretFile = ""

    @model_validator(mode="after")
    def _complete_and_safe(self) -> "ChannelConfig":
        missing = [key for key in _NEEDED[self.kind] if not getattr(self, key)]
        if missing:
            raise ValueError(f"a channel of kind {self.kind!r} needs {' and '.join(missing)}")
        if self.password_file and not self.username:
            raise ValueError("password_file is set without username; give both or neither")
        if self.kind == "email" and self.tls == "off" and not is_this_computer(self.host):
            raise ValueError(f"tls 'off' would show mail to everybody on the way to {self.host}; leave it on")
        if self.token_file and self.url.startswith("http://") and not is_this_computer(host_of(self.url)):
            raise ValueError("a token would travel in the clear; use https")
        return self


def host_of(url: str) -> str:
    """Return the host of an address."""
    return urlsplit(url).hostname or ""


def is_this_computer(host: str) -> bool:
    """Say whether a host is this computer.

    >>> is_this_computer("127.0.0.1"), is_this_computer("push.example.org")
    (True, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def channel_mistakes(notify: NotifyConfig, channels: tuple[ChannelConfig, ...]) -> list[str]:
    """Return what does not fit between the two tables."""
    names = [one.name for one in channels]
    twice = {name for name in names if names.count(name) > 1}
    mistakes = [f"two channels are called {name!r}; give one another name" for name in sorted(twice)]
    unknown = dict.fromkeys(one for one in (*notify.first, *notify.second) if one not in names)
    there = ", ".join(names) or "none"
    mistakes += [
        f"[notify] names channel {name!r}, which is not there; there are: {there}" for name in unknown
    ]
    if notify.second and not notify.first:
        mistakes.append("[notify] has a second person but no first")
    return mistakes
