"""The one place that knows what time it is, and how time is counted."""

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_us(at: datetime) -> int:
    """Return microseconds since 1970-01-01 UTC, exactly.

    Raises
    ------
    ValueError
        If `at` has no offset.

    >>> to_us(datetime(1970, 1, 1, 0, 0, 1, 5, tzinfo=UTC))
    1000005
    """
    if at.tzinfo is None:
        raise ValueError(f"{at.isoformat()} has no UTC offset; times must be aware")
    return (at - EPOCH) // _MICROSECOND


def from_us(at_us: int) -> datetime:
    """Return the UTC time of `at_us` microseconds since 1970-01-01.

    >>> from_us(1000005).isoformat()
    '1970-01-01T00:00:01.000005+00:00'
    """
    return EPOCH + timedelta(microseconds=int(at_us))


class Clock(Protocol):
    """Where *now* comes from."""

    def now(self) -> datetime:
        """Return the time, aware, in UTC."""
        ...

    def real_seconds(self, span: timedelta) -> float:
        """Return how many real seconds `span` of this clock lasts (for waiting)."""
        ...


class SystemClock:
    """The machine's clock."""

    def now(self) -> datetime:
        """Return the machine's time in UTC."""
        return datetime.now(UTC)

    def real_seconds(self, span: timedelta) -> float:
        """Return the length of `span` in seconds."""
        return span.total_seconds()


class ManualClock:
    """A clock that stands still until it is told otherwise."""

    def __init__(self, at: datetime) -> None:
        self._at = at.astimezone(UTC)

    def now(self) -> datetime:
        """Return the time last set."""
        return self._at

    def set(self, at: datetime) -> None:
        """Set the time."""
        self._at = at.astimezone(UTC)

    def advance(self, span: timedelta) -> None:
        """Move the time on by `span`."""
        self._at += span

    def real_seconds(self, span: timedelta) -> float:  # noqa: ARG002  a still clock never makes anyone wait
        """Return 0: nobody waits on a clock that stands still."""
        return 0.0


class QuickClock:
    """A clock that starts at a given time and runs `speed` times as fast as the machine's."""

    def __init__(self, start: datetime, speed: float) -> None:
        if not speed > 0:
            raise ValueError(f"speed must be above 0, not {speed}")
        self._start = start.astimezone(UTC)
        self._began_s = time.monotonic()
        self._speed = speed

    def now(self) -> datetime:
        """Return the quickened time in UTC."""
        return self._start + timedelta(seconds=(time.monotonic() - self._began_s) * self._speed)

    def real_seconds(self, span: timedelta) -> float:
        """Return how many real seconds `span` of quickened time lasts."""
        return span.total_seconds() / self._speed
