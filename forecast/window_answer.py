"""The answer for a job's windows, as data only: what screens read without loading what finds it."""

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING

from forecast.limits import Limit
from forecast.verdict import Verdict

if TYPE_CHECKING:
    from forecast.start_odds import StartOdds


class Remedy(StrEnum):
    """What to do; `WAIT` gives the moment, `SHORTEN` the minutes, the others by how much."""

    WAIT = "wait"
    WARMER_PART = "warmer part"
    WARMER_AIR = "warmer air"
    COOLER = "cooler"
    DRIER = "drier air"
    SHORTEN = "shorten"
    SMALLER_POTS = "smaller pots"
    MORE_HEAT = "more heat"


@dataclass(frozen=True, slots=True)
class Opening:
    """One thing that would open a window.

    `limit` is what it gets out of the way, `at` when: for `WAIT` the moment from which that
    limit likely holds, for `MORE_HEAT` from when on, else the start for which the amount was
    worked out. `shift_k` [K], `shift_pct` [% relative humidity], `less_min` [min] or `power_w` [W]
    say by how much; None where it is not of that kind.
    """

    remedy: Remedy
    limit: Limit
    at: datetime
    shift_k: float | None = None
    shift_pct: float | None = None
    less_min: float | None = None
    power_w: float | None = None


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of starts with one verdict, `go` or `tight`.

    `start_at` and `end_at` are its first and last start, `odds` the lowest odds in it,
    `best_odds` those of its best start, at `best_at`. `binds` is the limit that ends it.
    `catalyst_pct` [%] gives the work time at the best start and `part_c` [°C] is how warm the
    part likely is then; None where the job has no resin card.
    """

    start_at: datetime
    end_at: datetime
    verdict: Verdict
    odds: float
    best_odds: float
    best_at: datetime
    binds: Limit
    catalyst_pct: float | None
    part_c: float | None


@dataclass(frozen=True, slots=True)
class JobWindows:
    """The answer for one bay and job, which goes by its name.

    `verdict` is that of its best window: `go`, `tight`, else `no-go`; `no news` where nothing
    is forecast for the bay, or no humidity for limits that need it. `now` is the verdict of
    starting at once. `binds` is the limit that is in the way of the best start. `longest_min`
    [min] is the longest stretch that holds with the odds of `go`, `needed_min` [min] what the
    job takes until it may be left alone. `openings` say what would open a window where there
    is none to `go`. `notes` are words about what weakens the answer.
    """

    bay: str
    job: str
    verdict: Verdict
    now: Verdict
    windows: tuple[Window, ...]
    best_at: datetime | None
    best_odds: float
    binds: Limit
    needed_min: float
    longest_min: float
    openings: tuple[Opening, ...]
    notes: tuple[str, ...] = ()
    starts: "StartOdds | None" = field(default=None, repr=False, compare=False)

    @property
    def next_go(self) -> Window | None:
        """The first window to `go`."""
        return next((one for one in self.windows if one.verdict is Verdict.GO), None)
