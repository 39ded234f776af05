"""A shed as it is now: every bay judged from its newest readings."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from collector.domain import Flag, Reading, Sensor
from collector.quality.heard import newest_heard, suspect_s
from collector.store.base import Newest, SensorSpan, Store
from forecast.verdict import NEEDED, BayNow, Limits, Measured, Verdict, judge_bay, worst

NOT_BAYS = ("outdoor", "heater", "vent", "lamp")
OUTLOOK_STALE = timedelta(minutes=20)
"""An outlook older than this (four refreshes) no longer says how things are: no news."""

LOOK_BACK = timedelta(days=2)
"""A sensor silent for longer is taken for one that was never there."""
_STAYS_ROW = timedelta(
    minutes=10
)  # a store moves no reading into a chunk that is younger, with time to spare


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
    """What bays are judged by at `at`: each sensor's newest reading; for how long [s] a suspect one is so.

    `odd` are the sensors of which only a whole store can say more: since when one is suspect, and the last
    word of a silent one.
    """

    at: datetime
    bays: Sequence[str]
    latest: Mapping[str, Reading]
    odd: tuple[str, ...]
    suspect_s: Mapping[str, float] = field(default_factory=dict)


def heard_last(newest: Newest, sensors: Mapping[str, Sensor], at: datetime) -> Heard:
    """Return what was heard last of every bay at or before `at`, but not yet since when a sensor is suspect.

    Of rows alone (`collector.store.newest`) ask only for the present: earlier readings lie in chunks.
    """
    latest, spans = newest_heard(newest, at, LOOK_BACK), newest.sensors()
    bays = bay_names(sensors, spans)
    needed = [f"{bay}.{quantity}" for bay in bays for quantity in NEEDED]
    odd = tuple(name for name in needed if _is_odd(latest.get(name), spans.get(name), at))
    return Heard(at, bays, latest, odd)


def shed_now(store: Store, shed: str, sensors: Mapping[str, Sensor], limits: Limits, at: datetime) -> ShedNow:
    """Judge every bay from the newest readings at or before `at`."""
    heard = heard_last(store, sensors, at)
    suspects = [heard.latest[name] for name in heard.odd if name in heard.latest and heard.latest[name].flags]
    since_s = {reading.sensor: suspect_s(store, reading) for reading in suspects}
    return judge_shed(shed, replace(heard, suspect_s=since_s), sensors, limits)


def judge_shed(shed: str, heard: Heard, sensors: Mapping[str, Sensor], limits: Limits) -> ShedNow:
    """Judge every bay from what was heard of it."""
    return ShedNow(
        shed=shed,
        at=heard.at,
        bays=tuple(judge_bay(bay, _measured(bay, heard, sensors), limits) for bay in heard.bays),
    )


def _is_odd(reading: Reading | None, span: SensorSpan | None, at: datetime) -> bool:
    """Say whether there is more to look up: a suspect sensor's past, or the last word of a silent one."""
    if reading is not None and reading.flags:
        return True
    if span is None or span.first_at > at or span.last_at <= at - LOOK_BACK:
        return False
    # one whose clock runs ahead has its last word after `at`
    return reading is None or reading.at < min(span.last_at, at - _STAYS_ROW)


def _measured(bay: str, heard: Heard, sensors: Mapping[str, Sensor]) -> dict[str, Measured]:
    found = {}
    for quantity in NEEDED:
        name = f"{bay}.{quantity}"
        if name in heard.latest:
            reading = heard.latest[name]
            sensor = sensors.get(name)
            found[quantity] = Measured(
                value=reading.value,
                age_s=(heard.at - reading.at).total_seconds(),
                suspect=reading.flags != Flag.NONE,
                uncertainty=None if sensor is None else sensor.uncertainty,
                flags=int(reading.flags),
                suspect_s=heard.suspect_s.get(name),
            )
    return found
