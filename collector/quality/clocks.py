"""Sensors whose clock is wrong, told from readings that merely come late.

A time ahead of its arrival can only be a wrong clock. A time long before it may be a reading that waited for
its connection: those come in a rush, each less late than the one before. One that stays as late for ten
minutes, reading after reading, has a slow clock (or sits in the wrong time zone).
"""

from datetime import datetime, timedelta

from collector.domain import Flag
from collector.quality.track import Track

AHEAD = timedelta(minutes=-2)
LATE = timedelta(minutes=5)
_STEADY_S = 60.0
_SURE_AFTER = timedelta(minutes=10)
_LEAST_COUNT = 5


def clock_flag(track: Track, at: datetime, received_at: datetime) -> Flag:
    """Flag a device time that cannot be right, given when it arrived."""
    delay = received_at - at
    if AHEAD <= delay <= LATE:
        track.behind_since = None
        return Flag.NONE
    if delay < AHEAD:
        return Flag.CLOCK_OFF
    delay_s = delay.total_seconds()
    if track.behind_since is None or abs(delay_s - track.anchor_delay_s) > _STEADY_S:
        track.behind_since, track.anchor_delay_s, track.behind_count = received_at, delay_s, 0
        return Flag.NONE
    track.behind_count += 1
    sure = received_at - track.behind_since >= _SURE_AFTER and track.behind_count >= _LEAST_COUNT
    return Flag.CLOCK_OFF if sure else Flag.NONE
