"""Sensors whose clock is wrong, told from readings that merely come late.

A time ahead of its arrival can only be a wrong clock. A time long before it may be a reading that waited for
its connection: those come in a rush, each less late than the one before. A sensor whose promptest reading
is as late as it was ten minutes of arrivals ago has a slow clock (or sits in the wrong time zone).
"""

from datetime import datetime, timedelta

from collector.domain import Flag
from collector.quality.track import LATE, Track

AHEAD = timedelta(minutes=-2)
_STEADY = timedelta(minutes=1)
_SURE_AFTER = timedelta(minutes=10)


def clock_flag(track: Track, at: datetime, received_at: datetime) -> Flag:
    """Flag a device time that cannot be right, given when it arrived."""
    delay = received_at - at
    if delay < AHEAD:
        return Flag.CLOCK_OFF
    if delay <= LATE:
        track.anchor, track.is_slow, track.latest_quiet = None, False, LATE
        return Flag.NONE
    if track.is_slow and track.anchor is not None:
        if abs(delay - track.anchor[1]) <= _STEADY:
            return Flag.CLOCK_OFF
        track.anchor, track.is_slow = None, False
    track.promptest = min(track.promptest, delay)
    if at >= track.look_at:
        _judge_late(track, received_at, track.promptest)
        track.latest_quiet, track.promptest = delay, timedelta.max
    return Flag.CLOCK_OFF if track.is_slow else Flag.NONE


def _judge_late(track: Track, received_at: datetime, promptest: timedelta) -> None:
    """Compare the promptest reading since the last closer look with what it was before."""
    if promptest <= LATE:
        track.anchor = None
    elif track.anchor is None or abs(promptest - track.anchor[1]) > _STEADY:
        track.anchor = (received_at, promptest)
    elif received_at - track.anchor[0] >= _SURE_AFTER:
        track.is_slow = True
