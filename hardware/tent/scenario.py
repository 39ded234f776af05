"""What goes wrong, and when: events that break the shed or its sensors on command."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

_FOR_EVER_S = float("inf")


class Kind(StrEnum):
    """What can happen. Its value is the word on the command line."""

    HEATER_OUT = "heater-out"
    HEATER_OFF = "heater-off"
    SETPOINT = "setpoint"
    GAS_EMPTY = "gas-empty"
    DOOR_OPEN = "door-open"
    DROPOUT = "dropout"
    OFFLINE = "offline"
    STUCK = "stuck"
    WET = "wet"
    CLOCK_OFF = "clock-off"


KINDS = {
    Kind.HEATER_OUT: "the flame goes out and will not light again",
    Kind.HEATER_OFF: "somebody switches the heater off",
    Kind.SETPOINT: "the thermostat is set to VALUE °C by hand",
    Kind.GAS_EMPTY: "the gas bottle is empty at once, until work begins and somebody changes it",
    Kind.DOOR_OPEN: "the door stands open",
    Kind.DROPOUT: "a node (keel) or one of its sensors (keel.part_c) measures nothing",
    Kind.OFFLINE: "a node cannot reach the broker; it keeps its readings and sends them later",
    Kind.STUCK: "a sensor (keel.air_c) repeats its last value",
    Kind.WET: "dew on a bay's humidity sensor pins it at 100 %",
    Kind.CLOCK_OFF: "a node's clock is VALUE seconds fast (slow if negative)",
}
"""Every kind in words."""

_NEEDS_VALUE = {Kind.SETPOINT, Kind.CLOCK_OFF}
_NEEDS_TARGET = {Kind.DROPOUT, Kind.OFFLINE, Kind.STUCK, Kind.WET, Kind.CLOCK_OFF}
_UNITS_S = {"s": 1, "m": 60, "min": 60, "h": 3600, "d": 86_400}
_TEXT = re.compile(
    r"(?P<kind>[a-z-]+)(:(?P<target>[a-z_.]+))?(=(?P<value>-?[0-9.]+))?"
    r"@(?P<after>[0-9.]+)(?P<after_unit>s|min|m|h|d)(\+(?P<lasts>[0-9.]+)(?P<lasts_unit>s|min|m|h|d))?"
)


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happens from `start_s` until before `end_s` (seconds since 1970).

    `target` is a node (``keel``) or a sensor (``keel.air_c``); `value_c_or_s` the set-point or the clock's
    error.

    Raises
    ------
    ValueError
        If it ends before it starts, or lacks the target or value that its kind needs.
    """

    kind: Kind
    start_s: float
    end_s: float = _FOR_EVER_S
    target: str = ""
    value_c_or_s: float | None = None

    def __post_init__(self) -> None:
        if not self.end_s > self.start_s:
            raise ValueError(f"{self.kind}: ends before it starts")
        if self.kind in _NEEDS_VALUE and self.value_c_or_s is None:
            raise ValueError(f"{self.kind}: needs a value, as in '{self.kind}=18@2h'")
        if self.kind in _NEEDS_TARGET and not self.target:
            raise ValueError(f"{self.kind}: say which, as in '{self.kind}:keel@2h'")

    def covers(self, t_s: float) -> bool:
        """Tell whether it is happening at `t_s`."""
        return self.start_s <= t_s < self.end_s


@dataclass(frozen=True, slots=True)
class Scenario:
    """The events of a run, and how often each node drops out by itself for some minutes."""

    events: tuple[Event, ...] = ()
    dropouts_per_day: float = 0.15

    def active(self, kind: Kind, t_s: float, target: str = "") -> Event | None:
        """Return the event of `kind` that is happening to `target` at `t_s`, the one begun last."""
        if not self.events:
            return None
        found = [e for e in self.events if e.kind is kind and e.target == target and e.covers(t_s)]
        return max(found, key=lambda e: e.start_s) if found else None


def parse_event(text: str, start: datetime) -> Event:
    """Return the event that `text` names, its times counted from `start`.

    Parameters
    ----------
    text : str
        ``KIND[:TARGET][=VALUE]@AFTER[+LASTING]`` with times in s, m (or min), h or d.
    start : datetime
        The aware time from which AFTER counts.

    Raises
    ------
    ValueError
        With the known kinds, if the text is none of them.

    >>> from datetime import UTC
    >>> parse_event("stuck:keel.air_c@90m+2h", datetime(1970, 1, 1, tzinfo=UTC)).end_s
    12600.0
    """
    match = _TEXT.fullmatch(text.strip())
    if match is None or match["kind"] not in list(Kind):
        raise ValueError(
            f"{text!r} is no KIND[:TARGET][=VALUE]@AFTER[+LASTING]; KIND is one of {', '.join(Kind)}"
        )
    begin = start + timedelta(seconds=float(match["after"]) * _UNITS_S[match["after_unit"]])
    lasts_s = float(match["lasts"]) * _UNITS_S[match["lasts_unit"]] if match["lasts"] else _FOR_EVER_S
    value = float(match["value"]) if match["value"] else None
    start_s = begin.timestamp()
    return Event(Kind(match["kind"]), start_s, start_s + lasts_s, match["target"] or "", value)


def parse_scenario(texts: Sequence[str], start: datetime, dropouts_per_day: float = 0.15) -> Scenario:
    """Return the scenario of several events; see `parse_event`."""
    return Scenario(tuple(parse_event(text, start) for text in texts), dropouts_per_day)
