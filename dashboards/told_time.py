"""A time as people tell it, in the shed's own clock: ``21:40``, ``2140``, ``2026-04-03T21:40``."""

import re
from datetime import UTC, datetime, time, timedelta, tzinfo
from typing import NamedTuple

from collector.errors import InputError

_CLOCK = re.compile(r"(\d{1,2})[:.h]?(\d{2})")
_AHEAD = timedelta(minutes=2)  # a phone's clock may run a little before the shed's
_DAYS_BACK = 2  # an hour that clocks skipped last night was there the night before


class ToldTime(NamedTuple):
    """A time told, in UTC, and what there is to say about how it was read (mostly nothing)."""

    at: datetime
    remark: str


def told_time(text: str, now: datetime, zone: tzinfo, option: str = "--at") -> ToldTime:
    """Read a time: an hour and minute of the last day, or a date and time, with or without offset.

    An hour alone is the latest such moment that is not ahead of `now`. Where clocks were put
    back and it came twice, the later one that has been is taken and the remark says how to
    write the other; a date and time that came twice is the first of the two, said likewise.

    Parameters
    ----------
    text : str
        ``21:40``, ``2140``, ``21.40``, ``2026-04-03T21:40``, ``2026-04-03 21:40+01:00``, ``now``.
    now : datetime
        The moment it is told, aware.
    zone : tzinfo
        The shed's zone.
    option : str, optional
        What it was told with, for the words of a mistake.

    Raises
    ------
    InputError
        If it is no time, or one that clocks skipped.

    >>> told_time("21:40", datetime(2026, 4, 3, 5, 0, tzinfo=UTC), UTC).at.isoformat()
    '2026-04-02T21:40:00+00:00'
    """
    if text.strip().lower() == "now":
        return ToldTime(now.astimezone(UTC), "")
    if match := _CLOCK.fullmatch(text.strip()):
        return _last(_clock(f"{option} {text}", *match.groups()), now, zone, option)
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(_no_time(f"{option} {text}")) from None
    if at.tzinfo is not None:
        return ToldTime(at.astimezone(UTC), "")
    moments = _moments(at, zone)
    if not moments:
        raise InputError(
            f"{option} {text}: there was no {at:%H:%M} on {at:%Y-%m-%d}; clocks were put forward over it"
        )
    return ToldTime(moments[0], _twice(moments, moments[0], zone, option))


def coming_time(text: str, now: datetime, zone: tzinfo, option: str) -> datetime:
    """Read a time still to come: an hour alone is the next such moment, else as `told_time`.

    Raises
    ------
    InputError
        If it is no time, or one that clocks skip.

    >>> coming_time("07:00", datetime(2026, 4, 2, 21, 0, tzinfo=UTC), UTC, "--by").isoformat()
    '2026-04-03T07:00:00+00:00'
    """
    if not (match := _CLOCK.fullmatch(text.strip())):
        return told_time(text, now, zone, option).at
    clock = _clock(f"{option} {text}", *match.groups())
    today = now.astimezone(zone).date()
    for days in range(_DAYS_BACK + 1):
        moments = _moments(datetime.combine(today + timedelta(days=days), clock), zone)
        coming = [moment for moment in moments if moment > now]
        if coming:
            return coming[0]
    raise InputError(f"{option} {clock:%H:%M}: no such time in the next two days; write its date too")


def _clock(told: str, hour: str, minute: str) -> time:
    try:
        return time(int(hour), int(minute))
    except ValueError:
        raise InputError(_no_time(told)) from None


def _no_time(told: str) -> str:
    return f"{told} is no time; write 21:40, 2026-04-03T21:40 or 2026-04-03T21:40Z"


def _last(clock: time, now: datetime, zone: tzinfo, option: str) -> ToldTime:
    today = now.astimezone(zone).date()
    for days in range(-1, _DAYS_BACK + 1):
        wall = datetime.combine(today - timedelta(days=days), clock)
        moments = _moments(wall, zone)
        if not moments and days <= 0 and wall <= now.astimezone(zone).replace(tzinfo=None):
            raise InputError(
                f"{option} {clock:%H:%M}: there was none on {wall:%Y-%m-%d}; clocks were put forward over it"
            )
        been = [moment for moment in moments if moment <= now + _AHEAD]
        if been:
            return ToldTime(been[-1], _twice(moments, been[-1], zone, option))
    raise InputError(f"{option} {clock:%H:%M}: no such time in the last two days; write its date too")


def _moments(wall: datetime, zone: tzinfo) -> list[datetime]:
    """Return the moments at which the shed's clocks showed a time: none, one or two, in order."""
    both = {wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(at for at in both if at.astimezone(zone).replace(tzinfo=None, fold=0) == wall)


def _twice(moments: list[datetime], taken: datetime, zone: tzinfo, option: str) -> str:
    """Say which of two was taken and how to write the other."""
    if len(moments) == 1:
        return ""
    other = next(moment for moment in moments if moment != taken).astimezone(zone)
    which, rest = ("first", "second") if taken == moments[0] else ("second", "first")
    return (
        f"{other:%H:%M} came twice that night, as clocks were put back: taken is the {which}; "
        f"for the {rest} write {option} {other.isoformat(timespec='minutes')}"
    )
