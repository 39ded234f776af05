"""All that is known of a shed at one moment: the one thing that screens read."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from forecast.cure_outlook import CureOutlook
from forecast.heater_state import HeaterOutlook
from forecast.shed_now import NOT_BAYS, OUTLOOK_STALE, ShedNow, bay_names, shed_now
from forecast.verdict import BayNow, Limits, Verdict, worst
from forecast.window_answer import JobWindows

# What is now lies in a module of its own, which loads in a blink; `layday now` needs no more.
__all__ = [
    "HIGH_ODDS",
    "LOW_ODDS",
    "NOT_BAYS",
    "OUTLOOK_STALE",
    "Band",
    "BayOutlook",
    "Outlook",
    "ShedNow",
    "bay_names",
    "shed_now",
]

LOW_ODDS, HIGH_ODDS = 0.1, 0.9
"""A band's edges: 8 of 10 courses run between them."""


@dataclass(frozen=True, slots=True)
class Band:
    """One quantity of one bay in the hours ahead, for charts.

    `quantity` is ``air_c``, ``part_c``, ``humidity_pct``, ``dew_point_c`` or ``margin_k``;
    `low`, `likely` and `high` (steps,) are in its unit, the first at `start_at`, the others
    every `step_s` [s]. Between `low` and `high` run 8 of 10 courses, at each hour for itself.
    """

    quantity: str
    start_at: datetime
    step_s: float
    low: tuple[float, ...]
    likely: tuple[float, ...]
    high: tuple[float, ...]

    def at(self, moment: datetime) -> tuple[float, float, float] | None:
        """Return (low, likely, high) at the step at or before a moment; None outside the band."""
        step = (moment - self.start_at) // timedelta(seconds=self.step_s)
        if not 0 <= step < len(self.likely):
            return None
        return self.low[step], self.likely[step], self.high[step]


@dataclass(frozen=True, slots=True)
class BayOutlook:
    """One bay: as it is, and what may come.

    `bands` is empty where nothing could be forecast; `windows` are those of each planned job.
    `heater` is what is known of the heater whose thermostat hangs here, None in other bays.
    """

    now: BayNow
    bands: tuple[Band, ...] = ()
    notes: tuple[str, ...] = ()
    windows: tuple[JobWindows, ...] = ()
    heater: HeaterOutlook | None = None

    @property
    def bay(self) -> str:
        """The bay's name."""
        return self.now.bay

    def band(self, quantity: str) -> Band | None:
        """Return the band of a quantity, None where there is none."""
        return next((band for band in self.bands if band.quantity == quantity), None)


@dataclass(frozen=True, slots=True)
class Outlook:
    """A shed at one moment: every bay and every live cure, as they are and as they may become.

    `issued_at` is the moment it speaks for (the clock's *now* when it was made), `heard_at` the
    time of the newest reading of any bay. `forecast_at` is when the forecast in it was made,
    None where there is none; `notes` say in words what is missing or weaker than usual, `mistakes`
    what is wrong with cards, so that their cures are left out. `limits` are those it was judged by.
    """

    shed: str
    issued_at: datetime
    heard_at: datetime | None
    forecast_at: datetime | None
    limits: Limits
    bays: tuple[BayOutlook, ...] = ()
    cures: tuple[CureOutlook, ...] = ()
    notes: tuple[str, ...] = ()
    mistakes: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The worst of all bays' and cures' verdicts; without bays, `no news`."""
        bays = Verdict.NO_NEWS if self.mistakes else worst(bay.now.verdict for bay in self.bays)
        return worst((bays, *(cure.verdict for cure in self.cures)))

    def is_stale(self, at: datetime) -> bool:
        """Say whether this is too old to be acted on at a moment."""
        return at - self.issued_at > OUTLOOK_STALE
