"""What the models of the configuration share."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

NAME_PATTERN = r"^[a-z][a-z0-9_]*$"
ModelName = Annotated[str, Field(pattern=NAME_PATTERN)]
TimeUnit = Literal["auto", "s", "ms", "us", "ns", "iso"]
SensorUnit = Literal[
    "", "C", "F", "K", "%", "hPa", "Pa", "kPa", "inHg", "m/s", "km/h", "mph", "kt", "W", "kW"
]


class Model(BaseModel):
    """A table of the configuration: frozen, no conversions, no unknown keys."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")
