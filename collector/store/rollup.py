"""Roll-ups: count, lowest, highest and mean of equal steps of time, from whatever is at hand."""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from collector.clock import to_us
from collector.store.base import Rollup


class Parts(NamedTuple):
    """Readings, or sums of several, each at a time inside its step: equally long arrays."""

    at_us: npt.NDArray[np.int64]
    n: npt.NDArray[np.int64]
    lowest: npt.NDArray[np.float64]
    highest: npt.NDArray[np.float64]
    total: npt.NDArray[np.float64]

    def pick(self, index: npt.NDArray[np.bool_]) -> "Parts":
        """Return the parts where `index` is true."""
        return Parts(
            self.at_us[index], self.n[index], self.lowest[index], self.highest[index], self.total[index]
        )


class Steps(NamedTuple):
    """Equal steps from a start; the last one may reach beyond the end asked for, but holds nothing there."""

    start_us: int
    end_us: int
    step_us: int


def steps(start: datetime, end: datetime, step: timedelta) -> Steps:
    """Check and count what a roll-up is asked for.

    Raises
    ------
    ValueError
        If `step` is not above 0, or `end` lies before `start`, or either has no offset.
    """
    step_us = step // timedelta(microseconds=1)
    if step_us <= 0:
        raise ValueError(f"a step must be above 0, not {step}")
    if end < start:
        raise ValueError(f"the end, {end}, lies before the start, {start}")
    return Steps(to_us(start), to_us(end), step_us)


def of_readings(
    at_us: npt.NDArray[np.int64], values: npt.NDArray[np.float64], flags: npt.NDArray[np.int64]
) -> Parts:
    """Take each reading without a flag as a part of its own."""
    good = flags == 0
    at_us, values = at_us[good], values[good]
    return Parts(at_us, np.ones(len(at_us), dtype=np.int64), values, values, values)


def fold(asked: Steps, found: Iterable[Parts]) -> Rollup:
    """Add parts up, each into the step in which its time lies; those outside are left out."""
    size = -((asked.start_us - asked.end_us) // asked.step_us)
    count = np.zeros(size, dtype=np.int64)
    lowest, highest = np.full(size, np.inf), np.full(size, -np.inf)
    total = np.zeros(size)
    for parts in found:
        inside = (parts.at_us >= asked.start_us) & (parts.at_us < asked.end_us) & (parts.n > 0)
        index = (parts.at_us[inside] - asked.start_us) // asked.step_us
        np.add.at(count, index, parts.n[inside])
        np.minimum.at(lowest, index, parts.lowest[inside])
        np.maximum.at(highest, index, parts.highest[inside])
        with np.errstate(over="ignore"):  # the sum of absurd values is infinite, and may say so
            np.add.at(total, index, parts.total[inside])
    empty = count == 0
    with np.errstate(invalid="ignore"):
        mean = np.where(empty, np.nan, total / np.maximum(count, 1))
    return Rollup(
        times_us=asked.start_us + asked.step_us * np.arange(size, dtype=np.int64),
        counts=count,
        lowest=np.where(empty, np.nan, lowest),
        highest=np.where(empty, np.nan, highest),
        means=mean,
    )
