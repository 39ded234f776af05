"""Round hours of people's own clocks along an axis, and where on it clocks are put back or on. Pure."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo

# in UTC, as a local day may have 23 hours or 25; by quarters, as some zones' hours begin at one
_QUARTER = timedelta(minutes=15)


def round_hours(start: datetime, end: datetime, every_h: int, zone: tzinfo) -> Iterator[datetime]:
    """Yield the local hours from `start` to `end` that `every_h` divides; of one that comes twice the first.

    >>> from zoneinfo import ZoneInfo
    >>> night = datetime(2026, 10, 24, 22, 30, tzinfo=UTC), datetime(2026, 10, 25, 3, 0, tzinfo=UTC)
    >>> [f"{at:%H:%M}" for at in round_hours(*night, 1, ZoneInfo("Europe/Dublin"))]
    ['00:00', '01:00', '02:00', '03:00']
    """
    for moment in _quarters(start, end):
        local = moment.astimezone(zone)
        if local.hour % every_h == 0 and local.minute == 0 and not local.fold:
            yield local


def clock_change(start: datetime, end: datetime, zone: tzinfo) -> tuple[datetime, str] | None:
    """Return when after `start`, up to `end`, clocks change, and how they then do in words; None where not.

    >>> from zoneinfo import ZoneInfo
    >>> night = datetime(2026, 10, 24, 22, 30, tzinfo=UTC), datetime(2026, 10, 25, 3, 0, tzinfo=UTC)
    >>> clock_change(*night, ZoneInfo("Europe/Dublin"))[1]
    'clocks back to 01:00'
    """
    before = start.astimezone(zone).utcoffset()
    for moment in _quarters(start, end):
        local = moment.astimezone(zone)
        offset = local.utcoffset()
        if before is not None and offset is not None and offset != before:
            return moment, f"clocks {'back' if offset < before else 'on'} to {local:%H:%M}"
    return None


def _quarters(start: datetime, end: datetime) -> Iterator[datetime]:
    moment = start.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    while moment <= end:
        if moment >= start:
            yield moment
        moment += _QUARTER
