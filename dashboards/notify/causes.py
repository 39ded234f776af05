"""What an alarm may be about, how quickly it is believed, and what hides what."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from types import MappingProxyType


class AlarmCause(StrEnum):
    """What an alarm is about."""

    STAGE_AT_RISK = "stage at risk"
    STALL_AHEAD = "stall ahead"
    DEW_AHEAD = "dew before tack-free"
    WORK_TIME_SHORT = "work time short"
    TOO_HUMID = "too humid for wet work"
    HEATER_STOPPED = "heater stopped"
    FUEL_LOW = "fuel low"
    BACK_AFTER_GAP = "back after a gap"
    SENSOR_LOST = "sensor lost"
    SENSOR_SUSPECT = "sensor suspect"
    RECOAT_CLOSING = "recoat window closing"
    WINDOW_OPENING = "window opening"
    CARBON_MONOXIDE = "carbon monoxide"
    LAMINATE_HOT = "laminate too hot"
    WATCH_DOWN = "watch down"


@dataclass(frozen=True, slots=True)
class Rule:
    """How long a cause must be there before it is believed, and gone before it counts as gone."""

    on_delay: timedelta = timedelta(minutes=5)
    off_delay: timedelta = timedelta(minutes=10)


_AHEAD = Rule(timedelta(minutes=15), timedelta(minutes=30))  # three outlooks that agree
_USUAL = Rule()
RULES: Mapping[AlarmCause, Rule] = MappingProxyType(
    dict.fromkeys(AlarmCause, _USUAL)
    | {
        AlarmCause.STAGE_AT_RISK: _AHEAD,
        AlarmCause.STALL_AHEAD: _AHEAD,
        AlarmCause.DEW_AHEAD: _AHEAD,
        AlarmCause.FUEL_LOW: _AHEAD,
        AlarmCause.WINDOW_OPENING: _AHEAD,
        AlarmCause.HEATER_STOPPED: Rule(timedelta(minutes=10), timedelta(minutes=10)),
        AlarmCause.SENSOR_LOST: Rule(timedelta(minutes=10), timedelta(minutes=10)),
        AlarmCause.BACK_AFTER_GAP: Rule(timedelta(0), timedelta(hours=1)),
        AlarmCause.CARBON_MONOXIDE: Rule(timedelta(0), timedelta(minutes=10)),
        AlarmCause.LAMINATE_HOT: Rule(timedelta(minutes=1), timedelta(minutes=10)),
        AlarmCause.WATCH_DOWN: Rule(timedelta(0), timedelta(minutes=1)),
    }
)

OF_THE_AIR = frozenset(
    {
        AlarmCause.STAGE_AT_RISK,
        AlarmCause.STALL_AHEAD,
        AlarmCause.DEW_AHEAD,
        AlarmCause.TOO_HUMID,
        AlarmCause.WINDOW_OPENING,
        AlarmCause.WORK_TIME_SHORT,
    }
)
"""What a stopped heater brings about in its bays by itself."""

CALLS_IN = frozenset({AlarmCause.WINDOW_OPENING, AlarmCause.WORK_TIME_SHORT})
"""What asks people in to work: not told while there is carbon monoxide."""

ON_READINGS = OF_THE_AIR | {AlarmCause.RECOAT_CLOSING, AlarmCause.LAMINATE_HOT, AlarmCause.BACK_AFTER_GAP}
"""What rests on a bay's readings, and means nothing without them."""

OF_A_CURES_FATE = frozenset({AlarmCause.STAGE_AT_RISK, AlarmCause.STALL_AHEAD, AlarmCause.DEW_AHEAD})
"""What is told at once in quiet hours too, without a sound where it can wait: whoever looks should see it."""

ALWAYS_WAKES = frozenset({AlarmCause.CARBON_MONOXIDE})
"""What wakes people however often it has woken them before."""
