"""One cure at one moment: what it has had, where it stands, and what would still have to happen."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType

from forecast.card import Stage
from forecast.cautions import Caution

LAST_HOURS_H = 3.0
"""What "as warm as the last hours" means."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What people saw of a cure: the moment of each stage, the next ply, dew on it."""

    stages: Mapping[Stage, datetime] = field(default_factory=lambda: MappingProxyType({}))
    next_ply_at: datetime | None = None
    dew_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """When something was, or would be if the part stayed as warm as in the last hours.

    None means never at that warmth. `earliest_at` and `latest_at` bound it: the data sheet's
    band, and what may have happened where readings are missing.
    """

    likely_at: datetime | None
    earliest_at: datetime | None
    latest_at: datetime | None


@dataclass(frozen=True, slots=True)
class StageState:
    """One stage of a cure.

    It counts as reached where the likely sum got there while readings came. In or after a
    hole only what is certain counts, and in a silence that still lasts nothing does.
    `progress` runs from 0 to 1, with a low and a high bound. `degree_hours` [°C·h] and
    `equivalent_hours` [h] are those had when it was reached, or so far. `needed_h` [h] is what
    it still takes at the warmth of the last hours, None if that is too cold for ever;
    `needed_reference_h` [h] what it takes at the card's reference temperature.
    """

    stage: Stage
    progress: float
    progress_low: float
    progress_high: float
    reached_at: datetime | None
    seen: bool
    when: Moment
    degree_hours: float
    equivalent_hours: float
    needed_h: float | None
    needed_reference_h: float | None


@dataclass(frozen=True, slots=True)
class Warmth:
    """What temperature a cure has had [°C]; the coldest and warmest hour are None before the first hour.

    `softens_above_c` is the glass transition's bound, None before the cure is four hours old.
    """

    now_c: float
    last_hours_c: float
    coldest_hour_c: float | None
    coldest_at: datetime | None
    hottest_hour_c: float | None
    hottest_at: datetime | None
    softens_above_c: float | None


@dataclass(frozen=True, slots=True)
class CureState:
    """One cure at one moment, for screens to read.

    `began_at` is when its clock began (see `forecast.cure_now`). `stage` is the last stage
    reached, None while it is wet. `equivalent_hours` [h at the card's reference temperature]
    follow the sheet's own times of `equivalent_stage`; `equivalent_age_hours` the published
    Arrhenius form with 5000 K. `stalled` says that the part is now too cold for the next
    stage, `stalled_h` [h] for how long it has been in all. `gap_h` [h] are hours without
    readings, `silent_h` [h] those since the last one: where it is above 0 nobody knows how the
    cure is now. `gel_ratio` is the share of the expected gel time after which gel was seen.
    """

    began_at: datetime
    at: datetime
    stage: Stage | None
    stages: tuple[StageState, ...]
    opens: Moment | None
    closes: Moment | None
    warmth: Warmth
    degree_hours: float
    equivalent_hours: float
    equivalent_stage: Stage
    equivalent_age_hours: float
    stalled: bool
    stalled_h: float
    gap_h: float
    silent_h: float
    gel_ratio: float | None
    cautions: tuple[Caution, ...]
