"""Calibration: what a sensor truly measured, worked out when readings are read. The store keeps them raw.

A correction is a gain and an offset, ``true = gain * measured + offset``, from a time on. It stands in the
configuration, so it can be mended at any time and nothing measured is lost. Everything that reads a shed
reads through `corrected`, so that all answers agree.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from collector.clock import from_us
from collector.correction import (
    ALWAYS_US,
    DRY_PCT,
    SATURATED_PCT,
    Correction,
    Corrections,
    is_humidity,
    since_us,
    true_reading,
    true_values,
)
from collector.domain import Reading, Rejected
from collector.store import rollup
from collector.store.base import Added, Mark, Rollup, Samples, SensorSpan, State, Store


def corrected(store: Store, corrections: Corrections) -> Store:
    """Return the store as its calibrated sensors would have filled it; itself where none is calibrated."""
    return CorrectedStore(store, corrections) if corrections else store


class CorrectedStore:
    """Another store's readings, corrected on their way out. What is written goes in as measured.

    Corrected humidity beyond 0 or 100 % is told as 0 or 100 %, which is as far as air goes, unless it was
    measured beyond them. Flags stay those of the reading as measured.
    """

    def __init__(self, store: Store, corrections: Corrections) -> None:
        self._store = store
        self._corrections = corrections
        self._lines = {name: _Lines(name, found) for name, found in corrections.items() if found}

    def add(
        self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
    ) -> Added:
        """Keep a batch as measured."""
        return self._store.add(readings, rejected, marks)

    def marks(self) -> Sequence[Mark]:
        """Return the marks of the newest messages, oldest first."""
        return self._store.marks()

    def sensors(self) -> Mapping[str, SensorSpan]:
        """Return every sensor ever heard, by name."""
        return self._store.sensors()

    def latest(self, at: datetime, within: timedelta) -> Mapping[str, Reading]:
        """Return each sensor's newest reading in (at - within, at], corrected."""
        found = self._store.latest(at, within)
        return {name: self._reading(reading) for name, reading in found.items()}

    def window(self, sensor: str, start: datetime, end: datetime) -> Samples:
        """Return a sensor's readings in [start, end), corrected."""
        found = self._store.window(sensor, start, end)
        lines = self._lines.get(sensor)
        if lines is None:
            return found
        return Samples(found.times_us, lines.true(found.times_us, found.values), found.flags)

    def rollup(self, sensor: str, start: datetime, end: datetime, step: timedelta) -> Rollup:
        """Return a sensor's readings without a flag, corrected and summed up in steps from `start`.

        A step in which a correction begins, or which it takes beyond 0 or 100 % of humidity, is worked out
        from its readings, so long as these are kept.
        """
        return self._rolled(sensor, self._store.rollup(sensor, start, end, step), end, step)

    def rollups(self, start: datetime, end: datetime, step: timedelta) -> Mapping[str, Rollup]:
        """Return every sensor's roll-up, corrected as by `rollup`."""
        found = self._store.rollups(start, end, step)
        return {name: self._rolled(name, each, end, step) for name, each in found.items()}

    def _rolled(self, sensor: str, found: Rollup, end: datetime, step: timedelta) -> Rollup:
        lines = self._lines.get(sensor)
        if lines is None or not len(found.times_us):
            return found
        lowest, highest, means = (
            lines.true(found.times_us, values) for values in (found.lowest, found.highest, found.means)
        )
        counts = found.counts.copy()
        step_us = step // timedelta(microseconds=1)
        for i in sorted({*lines.changes(found.times_us, step_us), *lines.cut(found)}):
            low = from_us(int(found.times_us[i]))
            samples = self.window(sensor, low, min(low + step, end))
            parts = rollup.of_readings(samples.times_us, samples.values, samples.flags)
            again = rollup.fold(rollup.steps(low, low + step, step), [parts])
            if again.counts[0] == counts[i]:
                lowest[i], highest[i], means[i] = again.lowest[0], again.highest[0], again.means[0]
        return Rollup(found.times_us, counts, lowest, highest, means)

    def rejected(self, limit: int) -> Sequence[Rejected]:
        """Return the newest rejected messages, newest first."""
        return self._store.rejected(limit)

    def rejected_counts(self) -> Mapping[str, int]:
        """Return how many messages were ever rejected, by reason."""
        return self._store.rejected_counts()

    def write_state(self, key: str, state: State) -> None:
        """Leave a piece of state, in place of what the key held."""
        self._store.write_state(key, state)

    def read_state(self, key: str) -> State | None:
        """Return what was left under `key`, or None."""
        return self._store.read_state(key)

    def close(self) -> None:
        """Close the store beneath."""
        self._store.close()

    def _reading(self, reading: Reading) -> Reading:
        return true_reading(reading, self._corrections.get(reading.sensor, ()))


class _Lines:
    """One sensor's corrections as arrays in order of time, the first from ever on."""

    def __init__(self, sensor: str, corrections: Sequence[Correction]) -> None:
        order = sorted(corrections, key=since_us)
        rows = [(ALWAYS_US, 1.0, 0.0), *((since_us(c), c.gain, c.offset) for c in order)]
        self._since_us = np.array([row[0] for row in rows], dtype=np.int64)
        self._gain = np.array([row[1] for row in rows])
        self._offset = np.array([row[2] for row in rows])
        self._is_humidity = is_humidity(sensor)

    def true(
        self, times_us: npt.NDArray[np.int64], values: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        which = np.searchsorted(self._since_us, times_us, side="right") - 1
        gain, offset = self._gain[which], self._offset[which]
        return true_values(values, gain, offset, humidity=self._is_humidity)

    def cut(self, found: Rollup) -> list[int]:
        """Return the steps with readings told as 0 or 100 %: there the mean is not the measured one's."""
        if not self._is_humidity:
            return []
        which = np.searchsorted(self._since_us, found.times_us, side="right") - 1
        lowest = self._gain[which] * found.lowest + self._offset[which]
        highest = self._gain[which] * found.highest + self._offset[which]
        return [int(i) for i in np.flatnonzero((lowest < DRY_PCT) | (highest > SATURATED_PCT))]

    def changes(self, times_us: npt.NDArray[np.int64], step_us: int) -> list[int]:
        """Return the steps inside which one correction gives way to the next."""
        first_us, last_us = int(times_us[0]), int(times_us[-1]) + step_us
        inside = [int(at) for at in self._since_us if first_us < at < last_us]
        return sorted({(at - first_us) // step_us for at in inside if (at - first_us) % step_us})
