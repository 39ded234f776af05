"""A store in memory: for tests, and for runs that shall leave nothing behind."""

import math
import threading
from bisect import bisect_left, bisect_right
from collections import deque
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

import numpy as np

from collector.clock import from_us, to_us
from collector.domain import Reading, Rejected
from collector.store import rollup
from collector.store.base import Added, Mark, Rollup, Samples, SensorSpan, State
from collector.store.limits import KEPT_MARKS, KEPT_REJECTED, MAX_REASONS, OTHER_REASONS, clipped


class _Series:
    """One sensor's readings by time, and, until the next one comes, their times in order."""

    def __init__(self) -> None:
        self.readings: dict[int, Reading] = {}
        self._times: list[int] | None = None

    def put(self, at_us: int, reading: Reading) -> None:
        self.readings[at_us] = reading
        self._times = None

    def times(self) -> list[int]:
        if self._times is None:
            self._times = sorted(self.readings)
        return self._times


class MemoryStore:
    """Keeps everything in memory and loses it when the process ends.

    >>> store = MemoryStore()
    >>> at = from_us(0)
    >>> store.add([Reading("keel.air_c", at, 18.5, at)])
    Added(new=1, repeated=0, conflicting=0)
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._series: dict[str, _Series] = {}
        self._rejected: deque[Rejected] = deque(maxlen=KEPT_REJECTED)
        self._counts: dict[str, int] = {}
        self._marks: deque[Mark] = deque(maxlen=KEPT_MARKS)
        self._state: dict[str, State] = {}

    def add(
        self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
    ) -> Added:
        """Keep a batch; see `Store.add`."""
        timed = [(to_us(reading.at), to_us(reading.received_at), reading) for reading in readings]
        for _, _, reading in timed:
            if not math.isfinite(reading.value):
                raise ValueError(f"{reading.sensor} at {reading.at}: {reading.value} is not a finite number")
        new = conflicting = 0
        with self._lock:
            self._marks.extend(Mark(mark.digest, from_us(to_us(mark.received_at))) for mark in marks)
            for at_us, received_us, reading in timed:
                series = self._series.setdefault(reading.sensor, _Series())
                known = series.readings.get(at_us)
                if known is None:
                    new += 1
                    kept = Reading(
                        reading.sensor,
                        from_us(at_us),
                        float(reading.value),
                        from_us(received_us),
                        reading.flags,
                    )
                    series.put(at_us, kept)
                elif known.value != reading.value:
                    conflicting += 1
            for item in map(clipped, rejected):
                self._rejected.append(item)
                fits = item.reason in self._counts or len(self._counts) < MAX_REASONS
                reason = item.reason if fits else OTHER_REASONS
                self._counts[reason] = self._counts.get(reason, 0) + 1
        return Added(new, len(readings) - new - conflicting, conflicting)

    def marks(self) -> Sequence[Mark]:
        """Return the marks of the newest messages, oldest first."""
        with self._lock:
            return list(self._marks)

    def sensors(self) -> Mapping[str, SensorSpan]:
        """Return every sensor ever heard, by name."""
        with self._lock:
            return {
                name: SensorSpan(from_us(series.times()[0]), from_us(series.times()[-1]))
                for name, series in sorted(self._series.items())
            }

    def latest(self, at: datetime, within: timedelta) -> Mapping[str, Reading]:
        """Return each sensor's newest reading in (at - within, at]; silent sensors are absent."""
        newest_us, oldest_us = to_us(at), to_us(at - within)
        found: dict[str, Reading] = {}
        with self._lock:
            for name, series in sorted(self._series.items()):
                times = series.times()
                i = bisect_right(times, newest_us) - 1
                if i >= 0 and times[i] > oldest_us:
                    found[name] = series.readings[times[i]]
        return found

    def window(self, sensor: str, start: datetime, end: datetime) -> Samples:
        """Return a sensor's readings in [start, end); empty arrays where there are none."""
        with self._lock:
            series = self._series.get(sensor, _Series())
            times = series.times()
            times = times[bisect_left(times, to_us(start)) : bisect_left(times, to_us(end))]
            readings = [series.readings[at_us] for at_us in times]
        return Samples(
            times_us=np.array(times, dtype=np.int64),
            values=np.array([r.value for r in readings], dtype=np.float64),
            flags=np.array([int(r.flags) for r in readings], dtype=np.int64),
        )

    def rollup(self, sensor: str, start: datetime, end: datetime, step: timedelta) -> Rollup:
        """Return a sensor's readings without a flag, summed up in steps; see `Store.rollup`."""
        asked = rollup.steps(start, end, step)
        found = self.window(sensor, start, end)
        return rollup.fold(asked, [rollup.of_readings(found.times_us, found.values, found.flags)])

    def rollups(self, start: datetime, end: datetime, step: timedelta) -> Mapping[str, Rollup]:
        """Return every sensor's roll-up; see `Store.rollups`."""
        return {name: self.rollup(name, start, end, step) for name in self.sensors()}

    def rejected(self, limit: int) -> Sequence[Rejected]:
        """Return the newest rejected messages, newest first."""
        with self._lock:
            return list(reversed(self._rejected))[: max(0, limit)]

    def rejected_counts(self) -> Mapping[str, int]:
        """Return how many messages were ever rejected, by reason."""
        with self._lock:
            return dict(sorted(self._counts.items()))

    def write_state(self, key: str, state: State) -> None:
        """Leave a piece of state, in place of what the key held."""
        to_us(state.at)
        with self._lock:
            self._state[key] = State(state.text, from_us(to_us(state.at)))

    def read_state(self, key: str) -> State | None:
        """Return what was left under `key`, or None."""
        with self._lock:
            return self._state.get(key)

    def close(self) -> None:
        """Do nothing: there are no files."""
