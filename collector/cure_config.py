"""The `[cure]` table: what is wanted of a cure where nobody says."""

from typing import Annotated, Literal

from pydantic import Field

from collector.config_base import Model


class CureConfig(Model):
    """By which hour of the shed's clock which stage is wanted where nobody says (empty: no hour)."""

    ready_by: Annotated[str, Field(pattern=r"^(([01]\d|2[0-3]):[0-5]\d)?$")] = "07:00"
    ready_stage: Literal["gel", "tack-free", "sandable", "handling", "full"] = "sandable"
