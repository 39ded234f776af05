"""Readings for the tests of stores."""

from datetime import UTC, datetime, timedelta

from collector.clock import from_us, to_us
from collector.domain import Flag, Reading, Rejected
from collector.store.base import Store

START = datetime(2024, 2, 5, tzinfo=UTC)


def reading(sensor: str, minute: float, value: float, *, flags: Flag = Flag.NONE) -> Reading:
    """Make a reading some minutes after the start, received 1.5 s later."""
    at = START + timedelta(minutes=minute)
    return Reading(sensor, at, value, at + timedelta(seconds=1.5), flags)


def rejected(number: int, reason: str = "not JSON") -> Rejected:
    """Make a rejected message, told from others by its number."""
    at = START + timedelta(seconds=number)
    return Rejected(at, "listener", f"shed/keel/{number}", reason, b"{oops", 5)


def contents(store: Store) -> dict[tuple[str, int], tuple[float, int]]:
    """Return everything the store holds, by its key."""
    found = {}
    for name, span in store.sensors().items():
        samples = store.window(name, span.first_at, from_us(to_us(span.last_at) + 1))
        for at_us, value, flags in zip(
            samples.times_us.tolist(), samples.values.tolist(), samples.flags.tolist(), strict=True
        ):
            assert (name, at_us) not in found
            found[name, at_us] = (value, flags)
    return found
