"""What every store of readings can do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

if TYPE_CHECKING:  # whoever reads no arrays need not load numpy
    from collections.abc import Mapping, Sequence
    from datetime import datetime, timedelta

    import numpy as np
    import numpy.typing as npt

    from collector.domain import Reading, Rejected


class Added(NamedTuple):
    """What became of a batch: kept, already there, or there with another value (first one stays)."""

    new: int
    repeated: int
    conflicting: int


class Mark(NamedTuple):
    """A kept message without a device time: what to know its redelivery by (63 bits), and its time."""

    digest: int
    received_at: datetime


@dataclass(frozen=True, slots=True)
class SensorSpan:
    """When a sensor was first and last heard (its own times)."""

    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Samples:
    """A stretch of one sensor: equally long arrays in order of time.

    `times_us` int64 microseconds since 1970 UTC, `values` float64 in the quantity's unit,
    `flags` int64 (`collector.domain.Flag`).
    """

    times_us: npt.NDArray[np.int64]
    values: npt.NDArray[np.float64]
    flags: npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Rollup:
    """Equal steps of one sensor: equally long arrays in order of time, over readings without a flag.

    `times_us` int64, where each step begins; `counts` int64; `lowest`, `highest` and `means` float64
    in the quantity's unit, NaN where a step has no such reading.
    """

    times_us: npt.NDArray[np.int64]
    counts: npt.NDArray[np.int64]
    lowest: npt.NDArray[np.float64]
    highest: npt.NDArray[np.float64]
    means: npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class State:
    """A named piece of JSON text that the daemon leaves for other processes, and when it did.

    One that is not `durable` is there at once for all, but may be gone after a power cut: it costs half.
    """

    text: str
    at: datetime
    durable: bool = True


class Newest(Protocol):
    """What was heard last: all that judging a shed as it is now needs of a store."""

    def sensors(self) -> Mapping[str, SensorSpan]:
        """Return every sensor ever heard, by name."""
        ...

    def latest(self, at: datetime, within: timedelta) -> Mapping[str, Reading]:
        """Return each sensor's newest reading in (at - within, at]; silent sensors are absent."""
        ...


class Store(Protocol):
    """Where readings are kept. The key of a reading is (sensor, at): adding it again changes nothing.

    All methods are thread-safe. They raise `StoreError` (`StoreFullError` with no space left).
    """

    def add(
        self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
    ) -> Added:
        """Keep a batch in one transaction; on return it is on disk, or nothing of it is."""
        ...

    def marks(self) -> Sequence[Mark]:
        """Return the marks of the newest messages, oldest first (an hour's, or some ten thousand)."""
        ...

    def sensors(self) -> Mapping[str, SensorSpan]:
        """Return every sensor ever heard, by name."""
        ...

    def latest(self, at: datetime, within: timedelta) -> Mapping[str, Reading]:
        """Return each sensor's newest reading in (at - within, at]; silent sensors are absent."""
        ...

    def window(self, sensor: str, start: datetime, end: datetime) -> Samples:
        """Return a sensor's readings in [start, end); empty arrays where there are none."""
        ...

    def rollup(self, sensor: str, start: datetime, end: datetime, step: timedelta) -> Rollup:
        """Return a sensor's readings without a flag in [start, end), summed up in steps from `start`.

        Whole hours from a whole hour (UTC) are quick: they are kept ready.

        Raises
        ------
        ValueError
            If `step` is not above 0, or `end` lies before `start`.
        """
        ...

    def rollups(self, start: datetime, end: datetime, step: timedelta) -> Mapping[str, Rollup]:
        """Return every sensor's roll-up, by name, as `rollup` does each; quicker than one by one."""
        ...

    def rejected(self, limit: int) -> Sequence[Rejected]:
        """Return the newest rejected messages, newest first (only the last few thousand are kept)."""
        ...

    def rejected_counts(self) -> Mapping[str, int]:
        """Return how many messages were ever rejected, by reason."""
        ...

    def write_state(self, key: str, state: State) -> None:
        """Leave a piece of state, in place of what the key held."""
        ...

    def read_state(self, key: str) -> State | None:
        """Return what was left under `key`, or None."""
        ...

    def close(self) -> None:
        """Close files; the store is not used again."""
        ...
