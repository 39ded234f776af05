"""Values that never move: sensors that are stuck, and humidity that stands at 100 %.

How long a sound sensor may stand still depends on its steps, its pace and its room: a probe that counts in
tenths of a degree stands for half a day in a room with a thermostat. So each sensor's own longest rest is
remembered (it fades by half in two days of moving), and four times as long is too long. A sensor that is
not yet known is given sixteen hours.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta

from collector.domain import Flag
from collector.quality.limits import Amount
from collector.quality.track import GAP, NEVER, Track

_SHORTEST_S = 2 * 3600.0
_ALONE_S = 24 * 3600.0
_TIMES_LONGER = 4.0
_LEAST_LOOKS = 12
_FADES_S = 2 * 86_400.0  # to half
_WET_AFTER = timedelta(minutes=30)
_DRY_BELOW_PCT = 97.0


def note_rest(track: Track, at: datetime) -> None:
    """Learn how long the sensor's value rests; called at each closer look."""
    if track.changed_at != track.noted_start:
        passed_s = 0.0 if track.looked_at is NEVER else min((at - track.looked_at).total_seconds(), _FADES_S)
        track.longest_s = max(track.longest_s * 0.5 ** (passed_s / _FADES_S), track.noted_run_s)
        track.noted_start, track.looks = track.changed_at, 0
    track.noted_run_s = (at - track.changed_at).total_seconds()
    track.looks += 1


def is_stuck(track: Track, at: datetime, others: Iterable[Track]) -> bool:
    """Say whether a sensor has rested too long while others moved (alone: for a whole day)."""
    rest_s = (at - track.changed_at).total_seconds()
    if track.looks < _LEAST_LOOKS or rest_s < max(_SHORTEST_S, _TIMES_LONGER * track.longest_s):
        return False
    if track.traits is None or (track.value or 0.0) >= track.traits.ceiling:
        return False
    company = False
    for other in others:
        if other is not track and other.traits is not None and at - other.at < GAP:
            company = True
            if other.changed_at > track.changed_at:
                return True
    return not company and rest_s >= _ALONE_S


def pinned_flag(track: Track, at: datetime, value: Amount) -> Flag:
    """Flag humidity that has stood at the top for half an hour, until it falls below 97 %."""
    traits = track.traits
    if traits is None or traits.ceiling == float("inf") or track.is_outdoors:
        return Flag.NONE
    if value >= traits.ceiling:
        track.pinned_since = track.pinned_since or at
    elif not (Flag.PINNED in track.standing and value >= _DRY_BELOW_PCT):
        track.pinned_since = None
    if track.pinned_since is None:
        return Flag.NONE
    was = Flag.PINNED in track.standing
    return Flag.PINNED if was or at - track.pinned_since >= _WET_AFTER else Flag.NONE
