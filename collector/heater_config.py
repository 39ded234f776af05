"""The `[heater]` table: what burns, how strong it is, and its programme."""

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, field_validator

from collector.config_base import Model, ModelName

_HOURS = 24
_Setting = Annotated[float, Field(ge=-10, le=60)]


class HeaterConfig(Model):
    """The heater: what it burns, its power, tank and last change, and the setting of each local hour.

    `bay` is where its thermostat hangs (learned if not given); `setpoint_c` is 24 settings from midnight
    on, for a programme that nothing reports.
    """

    bay: ModelName | None = None
    fuel: Literal["propane", "diesel", "electric"] = "propane"
    unvented: bool = True
    power_kw: Annotated[float, Field(gt=0, le=200)] | None = None
    tank_kg: Annotated[float, Field(gt=0, le=5000)] | None = None
    changed_at: datetime | None = None
    setpoint_c: tuple[_Setting, ...] = ()

    @field_validator("changed_at")
    @classmethod
    def _has_offset(cls, changed_at: datetime | None) -> datetime | None:
        if changed_at is not None and changed_at.tzinfo is None:
            raise ValueError("write it with its offset from UTC, as in 2026-04-03T10:00:00Z")
        return changed_at

    @field_validator("setpoint_c")
    @classmethod
    def _whole_day(cls, settings: tuple[float, ...]) -> tuple[float, ...]:
        if settings and len(settings) != _HOURS:
            raise ValueError(f"{len(settings)} settings; give 24, one for each hour from midnight, or none")
        return settings

    @property
    def power_w(self) -> float | None:
        """Its full power [W], None where nobody knows."""
        return None if self.power_kw is None else 1000.0 * self.power_kw
