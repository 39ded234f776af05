"""Readings for the tests of stores."""

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from collector.calibration import CorrectedStore
from collector.clock import from_us, to_us
from collector.correction import Correction
from collector.domain import Flag, Reading, Rejected
from collector.store.base import Added, Mark, Store
from collector.store.memory import MemoryStore
from collector.store.opening import open_store

START = datetime(2024, 2, 5, tzinfo=UTC)
FAR = datetime(2240, 1, 1, tzinfo=UTC)


class CompactedStore:
    """A SQLite store whose readings are all in chunks after each batch."""

    def __init__(self, path: Path) -> None:
        self._store = open_store(path)

    def add(
        self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
    ) -> Added:
        """Add, then compact as in the far future."""
        added = self._store.add(readings, rejected, marks)
        self._store.compact(FAR, rest=0.0)
        return added

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401  the rest is the store's own
        return getattr(self._store, name)


MAKERS: Mapping[str, Callable[[Path], Store]] = {
    "memory": lambda _: MemoryStore(),
    "sqlite": open_store,
    "compacted": CompactedStore,
    "corrected": lambda _: CorrectedStore(MemoryStore(), {"keel.air_c": [Correction(since=START)]}),
}


def quick_folder() -> TemporaryDirectory[str]:
    """Return a folder in memory where there is one: for many small stores, each sync would set the pace."""
    memory = Path("/dev/shm")  # noqa: S108  the folder made in it is private
    return TemporaryDirectory(dir=memory if memory.is_dir() else None)


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
