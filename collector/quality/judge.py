"""Flags for readings in order of arrival: most pass in a microsecond, the odd one gets a closer look."""

import json
import logging
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from collector.clock import from_us, to_us
from collector.domain import Flag, Reading
from collector.errors import StoreError
from collector.quality.clocks import AHEAD, clock_flag
from collector.quality.leaps import leap_flag
from collector.quality.still import is_stuck, note_rest, pinned_flag
from collector.quality.together import Exchanges, Neighbours, group_of, lapse_swap
from collector.quality.track import GAP, NEVER, Track
from collector.store.base import State, Store

STATE_KEY = "quality"
_SEED_WITHIN = timedelta(days=2)
_LIFTED = Flag.STUCK | Flag.PINNED | Flag.SWAPPED | Flag.DISAGREES
_MOST_SENSORS = 50_000
_LONGEST_S = 7 * 86_400.0

_log = logging.getLogger(__name__)


class Judge:
    """Remembers a little of every sensor and flags what cannot be true.

    Flags hold from the moment they are known: a stuck sensor is found out only after a while, and the
    readings before that stay as they were. One thread at a time.
    """

    def __init__(self) -> None:
        self._tracks: dict[str, Track] = {}
        self._groups: dict[str, Neighbours] = {}
        self._exchanges = Exchanges()

    def judge(self, readings: Sequence[Reading]) -> list[Reading]:
        """Return the readings, in order, with what is now known against each."""
        tracks, none = self._tracks, Flag.NONE
        judged = []
        for reading in readings:
            sensor, at, value, received_at, given = reading
            track = tracks.get(sensor)
            if (
                track is not None
                and track.quiet
                and track.low <= value <= track.high
                and track.at < at < track.look_at
                and given is none
                and AHEAD <= (delay := received_at - at) <= track.latest_quiet
            ):
                if delay < track.promptest:  # noqa: PLR1730  min() would cost as much as all the rest
                    track.promptest = delay
                if value != track.value:
                    track.keep(at, value)
                else:
                    track.at = at
                judged.append(reading)
                continue
            flags = self._look(track or self._begin(sensor), reading)
            judged.append(reading if flags is given else reading._replace(flags=flags))
        return judged

    def _begin(self, sensor: str) -> Track:
        """Begin a sensor; beyond a great many, without remembering it, so that memory stays bounded."""
        track = Track(sensor)
        if len(self._tracks) < _MOST_SENSORS:
            self._tracks[sensor] = track
            if track.traits is not None and not track.is_outdoors:
                group_of(sensor, self._groups).add(track)
        return track

    def _look(self, track: Track, reading: Reading) -> Flag:
        """Look closely at one reading."""
        _, at, value, received_at, given = reading
        if at <= track.at:  # repeated, or late: what stands now says nothing about then
            return given
        flags = given | clock_flag(track, at, received_at)
        if flags:
            track.quiet = False
            return flags
        if at - track.at > GAP:
            track.forget()
        flags = leap_flag(track, at, value)
        if flags:
            track.quiet = False
            return flags
        self._exchanges.note(track, at, value)
        is_due = at >= track.look_at or not track.quiet or value > track.high
        if value != track.value:
            track.standing &= ~Flag.STUCK
        track.keep(at, value)
        if is_due:
            self._stand(track, at, value)
        track.settle(at)
        return track.standing

    def _stand(self, track: Track, at: datetime, value: float) -> None:
        """Find out what has come to stand against a sensor, and what no longer does."""
        if track.traits is None:
            return
        note_rest(track, at)
        standing = track.standing & ~(Flag.PINNED | Flag.DISAGREES)
        standing |= pinned_flag(track, at, value)
        if Flag.STUCK not in standing:
            standing |= Flag.STUCK if is_stuck(track, at, self._tracks.values()) else Flag.NONE
        if not track.is_outdoors and group_of(track.name, self._groups).is_odd(track, at, value):
            standing |= Flag.DISAGREES
        track.standing = standing
        lapse_swap(track, at)
        track.looked_at = at

    def seed(self, latest: Mapping[str, Reading], state: State | None = None) -> None:
        """Begin where an earlier run ended: from each sensor's newest reading, and what was learned of it."""
        learned = _learned(state)
        for name, reading in latest.items():
            track = self._begin(name) if name not in self._tracks else self._tracks[name]
            track.standing = reading.flags & _LIFTED
            track.swapped_at = reading.at
            if not reading.flags & ~_LIFTED:
                track.keep(reading.at, reading.value)
                if Flag.PINNED in track.standing:
                    track.pinned_since = reading.at
            longest_s, changed_us, value = learned.get(name, (track.longest_s, to_us(reading.at), None))
            track.longest_s = longest_s
            if value == track.value and 0 <= changed_us <= to_us(reading.at):
                track.changed_at = from_us(int(changed_us))

    def learned(self) -> str:
        """Return what it has learned of each sensor, for `seed`, as JSON."""
        table = {
            name: (round(track.longest_s, 1), to_us(track.changed_at), track.value)
            for name, track in list(self._tracks.items())
            if track.traits is not None and track.changed_at is not NEVER
        }
        return json.dumps({"schema": "layday/quality/1", "sensors": table})


def seeded_judge(store: Store, at: datetime) -> Judge:
    """Return a judge that knows what the store's last readings, and an earlier judge, tell."""
    judge = Judge()
    try:
        judge.seed(store.latest(at, _SEED_WITHIN), store.read_state(STATE_KEY))
    except StoreError as error:
        _log.warning("flags begin afresh, without what was known of the sensors: %s", error)
    return judge


def _learned(state: State | None) -> Mapping[str, tuple[float, float, float | None]]:
    """Read what an earlier run learned; anything unreadable is forgotten, not fatal."""
    if state is None:
        return {}
    try:
        found = json.loads(state.text)["sensors"]
        return {name: _numbers(row) for name, row in found.items()}
    except (ValueError, TypeError, KeyError, AttributeError):
        return {}


def _numbers(row: Iterable[float | None]) -> tuple[float, float, float | None]:
    longest_s, changed_us, value = row
    return min(max(float(longest_s or 0.0), 0.0), _LONGEST_S), float(changed_us or 0.0), value
