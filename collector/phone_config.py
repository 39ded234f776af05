"""The `[phone]` table: the page for the phone in the pocket."""

import ipaddress
from typing import Annotated

from pydantic import Field, field_validator, model_validator

from collector.config_base import Model, SecretFile


class PhoneConfig(Model):
    """The phone page: where it is served, and the token that a link carries; without this table, nowhere.

    `names` are names that phones may call this machine by, as ``shed.local``; its addresses need none.
    With `acknowledge` whoever has the link may also say that an alarm was seen, and nothing else.
    """

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 8321
    token_file: SecretFile = ""
    names: tuple[str, ...] = ()
    acknowledge: bool = False

    @field_validator("host")
    @classmethod
    def _an_address(cls, host: str) -> str:
        try:
            ipaddress.ip_address(host)
        except ValueError:
            raise ValueError(
                f"{host!r} is no address; write 127.0.0.1 for this machine alone, 0.0.0.0 for the network"
            ) from None
        return host

    @model_validator(mode="after")
    def _others_need_a_token(self) -> "PhoneConfig":
        if not self.token_file and not ipaddress.ip_address(self.host).is_loopback:
            raise ValueError(
                f"host {self.host} lets others in: name a token_file, and 'layday phone' makes its token"
            )
        if self.acknowledge and not self.token_file:
            raise ValueError("acknowledge lets a phone answer alarms: name a token_file too")
        return self
