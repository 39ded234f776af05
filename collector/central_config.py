"""The tables of the configuration that name a central store: where it is, and what opens it."""

from typing import Annotated

from pydantic import Field, field_validator

from collector.config_base import Model, SecretFile
from collector.errors import InputError
from collector.store.address import Access, parse_address


class CentralConfig(Model):
    """The yard's central store, read at any desk: where `layday yard` looks, and what opens it."""

    address: str = ""
    token_file: SecretFile = ""
    tls_ca_file: str = ""

    @field_validator("address")
    @classmethod
    def _known_address(cls, address: str) -> str:
        if address:
            try:
                parse_address(address)
            except InputError as error:
                raise ValueError(str(error)) from None
        return address

    @property
    def access(self) -> Access:
        """The files that open it."""
        return Access(self.token_file, self.tls_ca_file)


class ForwardConfig(CentralConfig):
    """Where this shed's readings, outlooks and journal are copied to (no address: nowhere)."""

    org: str = "layday"
    compress: bool = True
    every_s: Annotated[float, Field(ge=0.1, le=3600)] = 10.0
    max_per_s: Annotated[float, Field(ge=0)] = 0.0
