"""A job as somebody plans it: how long it takes, what it is laid with, what it must reach by when."""

from dataclasses import dataclass, field
from datetime import datetime
from math import inf

from forecast.card import Card, Family, Stage

_MAX_MIN = 48 * 60.0
_MAX_LAYERS = 50


@dataclass(frozen=True, slots=True)
class JobLimits:
    """What part and air must keep to; a limit left at its default does not count.

    The margin is that of the part's surface above the dew point (below 0 °C the frost point).
    """

    air_min_c: float = -inf
    air_max_c: float = inf
    part_min_c: float = -inf
    part_max_c: float = inf
    humidity_max_pct: float = inf
    margin_min_k: float = -inf

    @property
    def about_moisture(self) -> bool:
        """Whether humidity has to be known to judge them."""
        return self.humidity_max_pct < inf or self.margin_min_k > -inf

    def stricter(self, other: "JobLimits") -> "JobLimits":
        """Return the stricter of each limit of both.

        >>> JobLimits(part_min_c=15.0).stricter(JobLimits(part_min_c=18.0, air_max_c=30.0)).part_min_c
        18.0
        """
        return JobLimits(
            max(self.air_min_c, other.air_min_c),
            min(self.air_max_c, other.air_max_c),
            max(self.part_min_c, other.part_min_c),
            min(self.part_max_c, other.part_max_c),
            min(self.humidity_max_pct, other.humidity_max_pct),
            max(self.margin_min_k, other.margin_min_k),
        )


NO_LIMITS = JobLimits()


def card_limits(card: Card) -> JobLimits:
    """Return what a resin card asks of part and air."""
    sheet = card.application
    return JobLimits(
        air_min_c=sheet.temp_min_c,
        air_max_c=sheet.temp_max_c,
        part_min_c=sheet.temp_min_c,
        part_max_c=sheet.temp_max_c,
        humidity_max_pct=sheet.humidity_max_pct,
        margin_min_k=sheet.margin_min_k,
    )


@dataclass(frozen=True, slots=True)
class Job:
    """One job in one bay.

    First `prepare_min` [min] of preparation, in which the surface must stay dry; then
    `work_min` [min] of laying, from the first pot to the last stroke, in `layers` pots of equal
    time. With a `card` the limits hold until the last pot has gelled (an epoxy's humidity and
    margin until it is tack-free, for blush), without one until the work is done.
    `catalyst_pct` of None leaves the percentage to be chosen: the most that still gives the
    work time. `stage` is wanted at the first of the moments `by` after the work is done, or
    `within_h` [h] after the start. `limits` are those asked for beside the card's.

    Raises
    ------
    ValueError
        If a time is out of range, or a stage is wanted that the card does not have.
    """

    name: str
    work_min: float
    prepare_min: float = 0.0
    card: Card | None = None
    catalyst_pct: float | None = None
    layers: int = 1
    stage: Stage | None = None
    by: tuple[datetime, ...] = ()
    within_h: float | None = None
    limits: JobLimits = field(default=NO_LIMITS)

    def __post_init__(self) -> None:
        if not 0.0 < self.work_min <= _MAX_MIN:
            raise ValueError(
                f"job {self.name}: work_min {self.work_min:g} must be above 0, at most {_MAX_MIN:g}"
            )
        if not 0.0 <= self.prepare_min <= _MAX_MIN:
            raise ValueError(f"job {self.name}: prepare_min {self.prepare_min:g} must be 0 to {_MAX_MIN:g}")
        if not 1 <= self.layers <= _MAX_LAYERS:
            raise ValueError(f"job {self.name}: layers {self.layers} must be 1 to {_MAX_LAYERS}")
        if self.within_h is not None and not self.within_h > 0.0:
            raise ValueError(f"job {self.name}: within_h {self.within_h:g} must be above 0")
        if self.stage is not None:
            self._check_stage(self.stage)

    def _check_stage(self, stage: Stage) -> None:
        if self.card is None:
            raise ValueError(f"job {self.name}: stage {stage}: only a job with a resin card has stages")
        known = [Stage.GEL, *(table.stage for table in self.card.stages)]
        if stage not in known:
            raise ValueError(
                f"job {self.name}: stage {stage}: card {self.card.key} has {', '.join(dict.fromkeys(known))}"
            )

    @property
    def pot_min(self) -> float:
        """How long each pot must stay workable [min]."""
        return self.work_min / self.layers

    @property
    def all_limits(self) -> JobLimits:
        """The stricter of the card's limits and those asked for."""
        return self.limits if self.card is None else self.limits.stricter(card_limits(self.card))

    @property
    def dry_until_tack_free(self) -> bool:
        """Whether moisture counts until the cure is tack-free: an epoxy blushes, a polyester does not."""
        return (
            self.card is not None
            and self.card.family is Family.EPOXY
            and any(table.stage is Stage.TACK_FREE for table in self.card.stages)
        )
