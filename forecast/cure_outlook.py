"""What a live cure may come to in the hours ahead: data only, for screens, phone and notices to read."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from forecast.card import Stage
from forecast.cure_state import CureState
from forecast.verdict import Verdict

DEW_ODDS = 0.1
"""From these odds of dew on a wet surface it is told, and a cover is worth its trouble: our choice."""


class Basis(StrEnum):
    """What the hours ahead rest on."""

    FORECAST = "forecast"
    LAST_HOURS = "last hours"
    NOTHING = "nothing"


class Remedy(StrEnum):
    """What may still help a cure."""

    LIGHT = "light"
    WARM = "warm"
    HEATER_ON = "heater on"
    COVER = "cover"


@dataclass(frozen=True, slots=True)
class Wanted:
    """The stage that a cure is wanted to have reached, and by when.

    `default` says that nobody asked for this hour: it is the configuration's.
    """

    stage: Stage
    at: datetime
    default: bool = False


@dataclass(frozen=True, slots=True)
class Arrival:
    """When something comes: with 10, 50 and 90 % of the odds it has come by then.

    None means not within the hours forecast (or, on the warmth of the last hours, never).
    `odds` is the share of paths on which it comes within the hours forecast at all; None where
    there are no paths.
    """

    earliest_at: datetime | None
    likely_at: datetime | None
    latest_at: datetime | None
    odds: float | None = None


@dataclass(frozen=True, slots=True)
class StageAhead:
    """A stage that a cure has yet to reach, and when it comes."""

    stage: Stage
    when: Arrival


@dataclass(frozen=True, slots=True)
class Ready:
    """Whether the stage wanted will be there at the hour wanted.

    `odds` is None where there are no paths. `reached` says that it is there already.
    """

    wanted: Wanted
    odds: float | None
    reached: bool


@dataclass(frozen=True, slots=True)
class ColdestHour:
    """The coldest hour of the part still to come [°C]: likely, and with 10 and 90 % of the odds below.

    `at` is when the likely one begins, `until_at` the end of the stretch looked at.
    """

    low_c: float
    likely_c: float
    high_c: float
    at: datetime
    until_at: datetime


@dataclass(frozen=True, slots=True)
class Dew:
    """Dew on the surface before it is tack-free: its odds, and when it would begin (10, 50 %)."""

    odds: float
    earliest_at: datetime | None
    likely_at: datetime | None


@dataclass(frozen=True, slots=True)
class Rescue:
    """Something that may still be done.

    `warmer_k` [K] is how much warmer than forecast the part would have to be, for `hold_h` [h],
    and `part_c` [°C] how warm that is on average. `by_at` is the last moment to begin, `odds` what
    the odds of being ready would be then; None where nobody can tell. `LIGHT` is for a heater that has
    stopped: it burns again, as it is set, from that moment on; without one, the sooner the better.
    """

    remedy: Remedy
    by_at: datetime | None
    warmer_k: float | None = None
    hold_h: float | None = None
    part_c: float | None = None
    odds: float | None = None


@dataclass(frozen=True, slots=True)
class CureOutlook:
    """One live cure: which it is, where it stands, and what may come.

    `state` is None where nothing was measured. `ahead` holds the stages not reached yet, in
    order; `opens` and `closes` the recoat window's edges, None where the card has none or the
    edge is past. `notes` say in words what makes this weaker than usual.
    """

    key: str
    bay: str
    part: str
    card: str
    card_name: str
    catalyst_pct: float
    lot: str
    reference_c: float
    base_c: float
    laid_at: datetime
    verdict: Verdict
    basis: Basis
    state: CureState | None
    ahead: tuple[StageAhead, ...] = ()
    ready: Ready | None = None
    opens: Arrival | None = None
    closes: Arrival | None = None
    coldest: ColdestHour | None = None
    dew: Dew | None = None
    rescues: tuple[Rescue, ...] = ()
    notes: tuple[str, ...] = ()
