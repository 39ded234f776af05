"""The `[listener]` and `[broker]` tables: where readings come from."""

import ipaddress
from typing import Annotated

from pydantic import Field, model_validator

from collector.config_base import Model, SecretFile

_Port = Annotated[int, Field(ge=1, le=65535)]


class ListenerConfig(Model):
    """The default source: sensors publish straight to layday, whose acknowledgement means *on disk*."""

    enabled: bool = True
    host: str = "127.0.0.1"
    port: _Port = 1883
    password_file: SecretFile = ""
    tls_certificate_file: SecretFile = ""
    tls_key_file: SecretFile = ""
    tls_client_ca_file: SecretFile = ""
    max_connections: Annotated[int, Field(ge=1, le=10_000)] = 200
    max_payload_bytes: Annotated[int, Field(ge=128, le=16_777_216)] = 262_144

    @model_validator(mode="after")
    def _safe_to_expose(self) -> "ListenerConfig":
        if bool(self.tls_certificate_file) != bool(self.tls_key_file):
            raise ValueError("tls_certificate_file and tls_key_file go together; give both or neither")
        if self.tls_client_ca_file and not self.tls_certificate_file:
            raise ValueError("tls_client_ca_file needs tls_certificate_file and tls_key_file as well")
        guarded = self.password_file or self.tls_client_ca_file
        if self.enabled and not guarded and not _is_loopback(self.host):
            raise ValueError(
                f"host {self.host!r} can be reached from outside this computer: "
                "set password_file (or tls_client_ca_file), or use 127.0.0.1"
            )
        return self


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class BrokerConfig(Model):
    """The yard's own MQTT broker, as a second source."""

    host: Annotated[str, Field(min_length=1)]
    port: _Port = 1883
    client_id: Annotated[str, Field(min_length=1, max_length=64)] = "layday"
    username: str = ""
    password_file: SecretFile = ""
    tls: bool = False
    tls_ca_file: SecretFile = ""
    session_days: Annotated[float, Field(gt=0, le=365)] = 30.0
    keep_alive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    max_inflight: Annotated[int, Field(ge=1, le=65535)] = 1000
    share_group: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]*$", max_length=64)] = ""

    def subscription(self, topic_filter: str) -> str:
        """Return what to subscribe to: shared with the group's other processes where there is one.

        >>> BrokerConfig(host="yard", share_group="intake").subscription("tunnel/#")
        '$share/intake/tunnel/#'
        """
        return f"$share/{self.share_group}/{topic_filter}" if self.share_group else topic_filter
