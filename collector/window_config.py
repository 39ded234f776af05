"""The `[windows]` table and the `[[job]]` tables: what jobs are planned, and when starting one is `go`."""

from typing import Annotated, Literal

from pydantic import Field, model_validator

from collector.config_base import Model

_CLOCK = r"^([01]\d|2[0-3]):[0-5]\d$"
_Share = Annotated[float, Field(gt=0, le=1)]


class WindowsConfig(Model):
    """From which odds a start is go, and tight; between which hours of the shed's clock people work."""

    go_odds: _Share = 0.9
    tight_odds: _Share = 0.6
    work_from: Annotated[str, Field(pattern=_CLOCK)] = "07:00"
    work_until: Annotated[str, Field(pattern=_CLOCK)] = "20:00"

    @model_validator(mode="after")
    def _in_order(self) -> "WindowsConfig":
        if self.tight_odds > self.go_odds:
            raise ValueError(f"tight_odds ({self.tight_odds:g}) must not be above go_odds ({self.go_odds:g})")
        if self.work_from >= self.work_until:
            raise ValueError(f"work_from ({self.work_from}) must be before work_until ({self.work_until})")
        return self


class JobConfig(Model):
    """A job that windows are looked for. Limits not given are the card's, without a card those of [limits].

    `by` is the hour of the shed's clock at which `stage` is wanted, the first after the work is
    done. `bays` left empty means every bay.
    """

    name: Annotated[str, Field(min_length=1, max_length=60)]
    work_h: Annotated[float, Field(gt=0, le=48)]
    prepare_h: Annotated[float, Field(ge=0, le=48)] = 0.0
    card: str = ""
    catalyst_pct: Annotated[float, Field(gt=0, le=200)] | None = None
    layers: Annotated[int, Field(ge=1, le=50)] = 1
    stage: Literal["", "gel", "tack-free", "sandable", "handling", "full"] = ""
    by: Annotated[str, Field(pattern=r"^(([01]\d|2[0-3]):[0-5]\d)?$")] = ""
    within_h: Annotated[float, Field(gt=0, le=72)] | None = None
    temp_min_c: float | None = None
    temp_max_c: float | None = None
    humidity_max_pct: Annotated[float, Field(gt=0, le=100)] | None = None
    margin_min_k: Annotated[float, Field(ge=0, le=30)] | None = None
    bays: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _stage_needs_card(self) -> "JobConfig":
        if self.stage and not self.card:
            raise ValueError(f"stage = {self.stage!r} needs a card: only a resin has stages")
        if (self.by or self.within_h) and not self.stage:
            raise ValueError("by and within_h say when a stage is wanted: give stage too")
        return self


class PlanJobConfig(JobConfig):
    """A job of a plan: where it is done, and what it waits for of the job before it.

    `wait_for` is the stage that the job before must have reached (empty: only that it is laid);
    `bonds` says that it must be laid while the recoat window of the one before is open.
    """

    bay: str = ""
    wait_for: Literal["", "gel", "tack-free", "sandable", "handling", "full"] = "gel"
    bonds: bool = True


class PlanConfig(Model):
    """A file of jobs to be done one after the other."""

    job: Annotated[tuple[PlanJobConfig, ...], Field(min_length=1, max_length=12)]
