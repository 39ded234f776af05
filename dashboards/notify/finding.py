"""What one look at an outlook says about each cause: data only."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from dashboards.notify.causes import AlarmCause


class Sight(StrEnum):
    """Whether a cause is there.

    BETWEEN lies in its dead band, UNKNOWN rests on stale or missing data, HELD is hidden behind
    another cause; none of the three raises an alarm.
    """

    THERE = "there"
    BETWEEN = "between"
    CLEAR = "clear"
    UNKNOWN = "unknown"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class Spot:
    """What an alarm belongs to: a cause in a bay or the whole shed (empty), and a cure where it has one."""

    cause: AlarmCause
    bay: str = ""
    cure: str = ""

    @property
    def words(self) -> str:
        """The spot in words, as in ``stage at risk: k1``."""
        where = self.cure or self.bay
        return f"{self.cause.value}: {where}" if where else self.cause.value


@dataclass(frozen=True, slots=True)
class Facts:
    """The numbers that a message about a finding needs; those it does not need are None.

    `odds` belong to what is feared. `since_at` is when it began, `when_at` when it is expected,
    `by_at` the last moment to do something, `until_at` when telling it makes no sense any more.
    `wanted_at` is the hour at which a stage is wanted.
    `mix_at` is when a pot had better be mixed, `low_c` and `high_c` lie about `temp_c` (10 to 90 %).
    `sensors` are the quantities of lost or suspect sensors, with `flags` for why.
    """

    part: str = ""
    stage: str = ""
    remedy: str = ""
    sensors: tuple[str, ...] = ()
    flags: int = 0
    odds: float | None = None
    remedy_odds: float | None = None
    since_at: datetime | None = None
    when_at: datetime | None = None
    by_at: datetime | None = None
    until_at: datetime | None = None
    wanted_at: datetime | None = None
    mix_at: datetime | None = None
    temp_c: float | None = None
    low_c: float | None = None
    high_c: float | None = None
    limit_c: float | None = None
    warmer_k: float | None = None
    humidity_pct: float | None = None
    limit_pct: float | None = None
    work_min: float | None = None
    lost_min: float | None = None
    gas_ppm: float | None = None
    fuel_kg: float | None = None


NO_FACTS = Facts()
MUCH_LATER = timedelta(hours=3)
"""What is expected so much later than people were told is another matter: our choice."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One cause at one spot as it is now.

    `wakes` says that somebody must go out for it at any hour, `sure` that there is no need to see whether
    it stays: it has happened.
    """

    spot: Spot
    sight: Sight
    wakes: bool = False
    facts: Facts = NO_FACTS
    sure: bool = False

    def is_much_worse(self, told_when_at: datetime | None) -> bool:
        """Say whether it is much worse than people were told: a stage expected hours later, or never.

        Only forecasts are compared: without one nobody knows that it got worse.
        """
        if self.spot.cause is not AlarmCause.STAGE_AT_RISK or self.sight is not Sight.THERE:
            return False
        if told_when_at is None or self.facts.odds is None:
            return False
        return self.facts.when_at is None or self.facts.when_at - told_when_at >= MUCH_LATER
