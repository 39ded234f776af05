"""The `[[sensor]]` and `[[calibration]]` tables: what is measured where, and what makes it true."""

from datetime import datetime
from typing import Annotated

from pydantic import Field, field_validator, model_validator

from collector.config_base import Model, ModelName, SensorUnit, TimeUnit
from collector.domain import QUANTITIES, Sensor
from collector.sensor_units import converter


class SensorConfig(Model):
    """One measured quantity: where it is, and where in which message its number stands."""

    place: ModelName
    quantity: str
    topic: Annotated[str, Field(min_length=1, max_length=1024)]
    pointer: str = ""
    unit: SensorUnit = ""
    time_pointer: str | None = None
    time_unit: TimeUnit = "auto"
    uncertainty: Annotated[float, Field(gt=0)] | None = None

    @field_validator("quantity")
    @classmethod
    def _known_quantity(cls, quantity: str) -> str:
        if quantity not in QUANTITIES:
            raise ValueError(f"no quantity is called {quantity!r}; one of {', '.join(QUANTITIES)}")
        return quantity

    @field_validator("topic")
    @classmethod
    def _plain_topic(cls, topic: str) -> str:
        if "+" in topic or "#" in topic or "\0" in topic:
            raise ValueError(f"{topic!r} has a wildcard; a sensor has one exact topic")
        return topic

    @field_validator("pointer", "time_pointer")
    @classmethod
    def _json_pointer(cls, pointer: str | None) -> str | None:
        if pointer and not pointer.startswith("/"):
            raise ValueError(
                f"{pointer!r} is no JSON Pointer (RFC 6901); it starts with '/', as in '/air/temp'"
            )
        return pointer

    @model_validator(mode="after")
    def _unit_fits(self) -> "SensorConfig":
        converter(self.unit, QUANTITIES[self.quantity])
        return self

    @property
    def sensor(self) -> Sensor:
        """The sensor that this entry configures."""
        return Sensor(self.place, QUANTITIES[self.quantity], self.uncertainty)


class CalibrationConfig(Model):
    """What makes a sensor true from a time on: gain * measured + offset; `layday salt` finds both."""

    sensor: str
    since: datetime | None = None
    offset: Annotated[float, Field(allow_inf_nan=False)] = 0.0
    gain: Annotated[float, Field(ge=0.5, le=2.0)] = 1.0
    uncertainty: Annotated[float, Field(gt=0)] | None = None

    @field_validator("since")
    @classmethod
    def _has_offset(cls, since: datetime | None) -> datetime | None:
        if since is not None and since.tzinfo is None:
            raise ValueError("write it with its offset from UTC, as in 2026-04-03T10:00:00Z")
        return since
