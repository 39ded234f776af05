"""What the models of the configuration share."""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from collector.secret_files import credential_mistake

NAME_PATTERN = r"^[a-z][a-z0-9_]*$"
ModelName = Annotated[str, Field(pattern=NAME_PATTERN)]
TimeUnit = Literal["auto", "s", "ms", "us", "ns", "iso"]
SensorUnit = Literal[
    "", "C", "F", "K", "%", "hPa", "Pa", "kPa", "inHg", "m/s", "km/h", "mph", "kt", "W", "kW"
]


def _named_well(setting: str) -> str:
    if mistake := credential_mistake(setting):
        raise ValueError(mistake)
    return setting


SecretFile = Annotated[str, AfterValidator(_named_well)]
"""A file's name, or ``credential:NAME``."""


class Model(BaseModel):
    """A table of the configuration: frozen, no conversions, no unknown keys."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")
