"""What only several sensors tell: one that stands apart from its neighbours, and two that were exchanged."""

from collections import deque
from datetime import datetime, timedelta
from statistics import median
from typing import NamedTuple

from collector.domain import Flag
from collector.quality.limits import Amount
from collector.quality.track import GAP, LOOK_EVERY, NEVER, Track

_FEWEST_NEIGHBOURS = 3
_APART_FOR = timedelta(minutes=30)
_USUAL_OVER_S = 24 * 3600.0
_MIRRORED_WITHIN = timedelta(minutes=10)
_SWAP_HOLDS = timedelta(hours=24)
_STEPS_KEPT = 64


class _Step(NamedTuple):
    track: Track
    at: datetime
    before: Amount
    after: Amount


class Neighbours:
    """The sensors of one quantity in one shed; their median is worked out every ten minutes at most.

    Of two that differ nobody can say which is wrong, so it takes three. Each keeps its usual difference (the
    cold bay stays the cold bay), learned over a day.
    """

    def __init__(self) -> None:
        self._tracks: list[Track] = []
        self._middle: Amount | None = None
        self._due_at = NEVER

    def add(self, track: Track) -> None:
        """Take in a sensor."""
        self._tracks.append(track)

    def is_odd(self, track: Track, at: datetime, value: Amount) -> bool:
        """Say whether a sensor has stood apart for half an hour."""
        if len(self._tracks) < _FEWEST_NEIGHBOURS or track.traits is None:
            return False
        middle = self._median(at)
        if middle is None:
            return False
        apart = value - middle
        if track.usual is None:
            track.usual = apart
        passed_s = 0.0 if track.looked_at is NEVER else (at - track.looked_at).total_seconds()
        track.usual += (apart - track.usual) * min(1.0, max(passed_s, 0.0) / _USUAL_OVER_S)
        if abs(apart - track.usual) <= track.traits.apart:
            track.apart_since = None
            return False
        track.apart_since = track.apart_since or at
        return at - track.apart_since >= _APART_FOR

    def _median(self, at: datetime) -> Amount | None:
        if at >= self._due_at or at < self._due_at - GAP:
            heard = [t.value for t in self._tracks if t.value is not None and abs(at - t.at) < GAP]
            self._middle = median(heard) if len(heard) >= _FEWEST_NEIGHBOURS else None
            self._due_at = at + LOOK_EVERY
        return self._middle


class Exchanges:
    """Recent steps of all sensors, to find two that mirror one another.

    It sees an exchange only where the two differed by some degrees (or per cent) at that moment, and where
    both were silent for less than an hour.
    """

    def __init__(self) -> None:
        self._steps: deque[_Step] = deque(maxlen=_STEPS_KEPT)

    def note(self, track: Track, at: datetime, value: Amount) -> None:
        """Look at a sound reading before it is kept; mark both where it mirrors another sensor's step."""
        traits = track.traits
        if traits is None or track.value is None or abs(value - track.value) < traits.swap:
            return
        step = _Step(track, at, track.value, value)
        for other in self._steps:
            if other.track is not track and _mirrors(step, other):
                self._steps.remove(other)
                for both in (track, other.track):
                    both.standing ^= Flag.SWAPPED
                    both.swapped_at = at
                    both.quiet = False
                return
        self._steps.append(step)


def _mirrors(one: _Step, other: _Step) -> bool:
    if one.track.traits is None or other.track.traits is None:
        return False
    alike = one.track.traits.alike
    return (
        one.track.traits.unit == other.track.traits.unit
        and abs(one.at - other.at) <= _MIRRORED_WITHIN
        and abs(one.after - other.before) <= alike
        and abs(one.before - other.after) <= alike
    )


def lapse_swap(track: Track, at: datetime) -> None:
    """Lift `SWAPPED` after a day: it is a guess, and must not stop a shed for ever."""
    if Flag.SWAPPED in track.standing and at - track.swapped_at > _SWAP_HOLDS:
        track.standing &= ~Flag.SWAPPED


def group_of(name: str, groups: dict[str, Neighbours]) -> Neighbours:
    """Return the neighbours a sensor belongs to, by its quantity."""
    return groups.setdefault(name.rpartition(".")[2], Neighbours())
