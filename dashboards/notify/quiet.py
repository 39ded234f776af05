"""The hours in which only what cannot wait is told."""

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo


@dataclass(frozen=True, slots=True)
class QuietHours:
    """From `start` to `end` by the clock of a zone; over midnight where `end` is earlier.

    Both alike mean no quiet hours. An hour that a clock change skips or repeats is taken as its zone has it.
    """

    start: time
    end: time
    zone: tzinfo = UTC

    def hold(self, at: datetime) -> bool:
        """Say whether a moment is in them.

        >>> quiet = QuietHours(time(22), time(6, 30))
        >>> quiet.hold(datetime(2026, 4, 3, 3, tzinfo=UTC)), quiet.hold(datetime(2026, 4, 3, 12, tzinfo=UTC))
        (True, False)
        """
        clock = at.astimezone(self.zone).time()
        if self.start <= self.end:
            return self.start <= clock < self.end
        return clock >= self.start or clock < self.end

    def end_after(self, at: datetime) -> datetime:
        """Return the next moment at which they end."""
        return next_clock(self.end, at, self.zone)

    def began_before(self, at: datetime) -> datetime:
        """Return the last moment at which they began: two of them enclose one night."""
        return next_clock(self.start, at, self.zone) - timedelta(days=1)


def next_clock(clock: time, at: datetime, zone: tzinfo) -> datetime:
    """Return the first moment after `at` at which a zone's clocks show `clock`, in UTC."""
    day = at.astimezone(zone).date()
    for ahead in range(3):
        moment = datetime.combine(day + timedelta(days=ahead), clock, zone).astimezone(UTC)
        if moment > at:
            return moment
    raise ValueError(f"no {clock} within three days after {at.isoformat()}")
