"""A shed as it is now: every bay judged from its newest readings."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.domain import Flag, Reading, Sensor
from collector.quality.heard import newest_heard, suspect_s
from collector.store.base import Store
from forecast.verdict import NEEDED, BayNow, Limits, Measured, Verdict, judge_bay, worst

NOT_BAYS = ("outdoor", "heater", "vent", "lamp")
OUTLOOK_STALE = timedelta(minutes=20)
"""An outlook older than this (four refreshes) no longer says how things are: no news."""

LOOK_BACK = timedelta(days=2)
"""A sensor silent for longer is taken for one that was never there."""


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


@dataclass(frozen=True, slots=True)
class Heard:
    """What bays are judged by: each sensor's newest reading, and for how long [s] a suspect one is so."""

    bays: Sequence[str]
    latest: Mapping[str, Reading]
    suspect_s: Mapping[str, float]


def needed_names(bays: Sequence[str]) -> list[str]:
    """Return the sensors that bays are judged by."""
    return [f"{bay}.{quantity}" for bay in bays for quantity in NEEDED]


def shed_now(store: Store, shed: str, sensors: Mapping[str, Sensor], limits: Limits, at: datetime) -> ShedNow:
    """Judge every bay from the newest readings at or before `at`."""
    latest = newest_heard(store, at, LOOK_BACK)
    bays = bay_names(sensors, store.sensors())
    suspects = [latest[name] for name in needed_names(bays) if name in latest and latest[name].flags]
    since_s = {reading.sensor: suspect_s(store, reading) for reading in suspects}
    return judge_shed(shed, Heard(bays, latest, since_s), sensors, limits, at)


def judge_shed(
    shed: str, heard: Heard, sensors: Mapping[str, Sensor], limits: Limits, at: datetime
) -> ShedNow:
    """Judge every bay from what was heard of it at or before `at`."""
    return ShedNow(
        shed=shed,
        at=at,
        bays=tuple(judge_bay(bay, _measured(bay, heard, sensors, at), limits) for bay in heard.bays),
    )


def _measured(bay: str, heard: Heard, sensors: Mapping[str, Sensor], at: datetime) -> dict[str, Measured]:
    found = {}
    for quantity in NEEDED:
        name = f"{bay}.{quantity}"
        if name in heard.latest:
            reading = heard.latest[name]
            sensor = sensors.get(name)
            found[quantity] = Measured(
                value=reading.value,
                age_s=(at - reading.at).total_seconds(),
                suspect=reading.flags != Flag.NONE,
                uncertainty=None if sensor is None else sensor.uncertainty,
                flags=int(reading.flags),
                suspect_s=heard.suspect_s.get(name),
            )
    return found
