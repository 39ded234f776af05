"""All that alarms are judged from at one moment."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from forecast.cure_outlook import CureOutlook
from forecast.heater_state import HeaterAdvice
from forecast.outlook import Outlook
from forecast.window_answer import JobWindows


@dataclass(frozen=True, slots=True)
class Gas:
    """The newest carbon monoxide reading of a place."""

    place: str
    co_ppm: float
    at: datetime


@dataclass(frozen=True, slots=True)
class Heater:
    """What is known of the heater; None where it is not.

    `stopped` is None where nobody can tell. `lost_min` is the work time that the coming peak (10 to 90 %:
    `peak_low_c` to `peak_high_c`) costs a pot that would last `work_min`; `advice` what keeps it.
    `fuel_out_at` is the earliest moment (10 %) at which the fuel is used up.
    """

    bay: str
    stopped: bool | None
    stopped_since: datetime | None = None
    peak_c: float | None = None
    peak_low_c: float | None = None
    peak_high_c: float | None = None
    peak_at: datetime | None = None
    work_min: float | None = None
    lost_min: float | None = None
    advice: HeaterAdvice | None = None
    fuel_kg: float | None = None
    fuel_out_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """An outlook, what was heard before it, and what stands beside it.

    `heard_before_at` is the newest reading that the outlook before knew of. `at` is the moment of looking:
    the outlook may be older, and is stale from `forecast.outlook.OUTLOOK_STALE` on.
    """

    at: datetime
    outlook: Outlook
    heard_before_at: datetime | None = None
    heaters: tuple[Heater, ...] = ()
    windows: tuple[JobWindows, ...] = ()
    gas: tuple[Gas, ...] = ()

    @property
    def is_stale(self) -> bool:
        """Whether the outlook is too old to say how things are."""
        return self.outlook.is_stale(self.at)

    @property
    def waiting_bays(self) -> frozenset[str]:
        """Bays in which a job waits for its window."""
        return frozenset(one.bay for one in self.windows)

    @property
    def cure_bays(self) -> frozenset[str]:
        """Bays with a live cure."""
        return frozenset(cure.bay for cure in self.outlook.cures)

    @property
    def unready_cures(self) -> tuple[CureOutlook, ...]:
        """Live cures that are not at the stage wanted of them yet: only these are worth a night."""
        return tuple(one for one in self.outlook.cures if one.ready is None or not one.ready.reached)

    @property
    def watched_until(self) -> datetime:
        """The last hour at which a cure is wanted; without any, twelve hours from now."""
        wanted = [cure.ready.wanted.at for cure in self.outlook.cures if cure.ready is not None]
        return max(wanted, default=self.at + timedelta(hours=12))
