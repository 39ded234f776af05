"""All that is known of a shed at one moment: the one thing that screens read."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.domain import Flag, Reading, Sensor
from collector.quality.heard import newest_heard, suspect_s
from collector.store.base import Store
from forecast.cure_outlook import CureOutlook
from forecast.outlook_fields import WindowsField
from forecast.verdict import NEEDED, BayNow, Limits, Measured, Verdict, judge_bay, worst

NOT_BAYS = ("outdoor", "heater", "vent", "lamp")
LOW_ODDS, HIGH_ODDS = 0.1, 0.9
"""A band's edges: 8 of 10 courses run between them."""
OUTLOOK_STALE = timedelta(minutes=20)
"""An outlook older than this (four refreshes) no longer says how things are: no news."""

_LOOK_BACK = timedelta(days=2)


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
    """

    now: BayNow
    bands: tuple[Band, ...] = ()
    notes: tuple[str, ...] = ()
    windows: tuple[WindowsField, ...] = ()

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


@dataclass(frozen=True, slots=True)
class ShedNow:
    """Every bay of a shed as it is at `at`."""

    shed: str
    at: datetime
    bays: tuple[BayNow, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst of the bays' verdicts; without bays, `no news`."""
        return worst(bay.verdict for bay in self.bays)


def bay_names(sensors: Mapping[str, Sensor], heard: Mapping[str, object]) -> list[str]:
    """Return the bays: places that measure air or part, configured or heard, in order of name."""
    names = [*sensors, *heard]
    split = (name.rpartition(".") for name in names)
    return sorted({place for place, _, quantity in split if quantity in NEEDED and place not in NOT_BAYS})


def shed_now(store: Store, shed: str, sensors: Mapping[str, Sensor], limits: Limits, at: datetime) -> ShedNow:
    """Judge every bay from the newest readings at or before `at`."""
    latest = newest_heard(store, at, _LOOK_BACK)
    bays = bay_names(sensors, store.sensors())
    return ShedNow(
        shed=shed,
        at=at,
        bays=tuple(judge_bay(bay, _measured(bay, latest, sensors, at, store), limits) for bay in bays),
    )


def _measured(
    bay: str, latest: Mapping[str, Reading], sensors: Mapping[str, Sensor], at: datetime, store: Store
) -> dict[str, Measured]:
    found = {}
    for quantity in NEEDED:
        name = f"{bay}.{quantity}"
        if name in latest:
            reading = latest[name]
            sensor = sensors.get(name)
            found[quantity] = Measured(
                value=reading.value,
                age_s=(at - reading.at).total_seconds(),
                suspect=reading.flags != Flag.NONE,
                uncertainty=None if sensor is None else sensor.uncertainty,
                flags=int(reading.flags),
                suspect_s=suspect_s(store, reading) if reading.flags else None,
            )
    return found
