"""A shed as a central store knows it: a `Store`'s questions answered from afar; nothing is written there."""

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple, NoReturn, Protocol

import numpy as np

from collector.clock import from_us, to_us
from collector.domain import Flag, Reading, Rejected
from collector.errors import StoreError
from collector.store import rollup
from collector.store.base import Added, Mark, Rollup, Samples, SensorSpan, State
from collector.store.codec import Block
from collector.store.texts import WORD_STEP_US, text_span_us, unpack_text


class Start(NamedTuple):
    """Where a text begins, its length and its CRC-32; see `collector.store.texts`."""

    at_us: int
    size_bytes: int
    check: int


class Newest(NamedTuple):
    """The newest reading of one sensor of one shed."""

    shed: str
    reading: Reading


class Engine(Protocol):
    """What differs between central stores. Times are microseconds; all raise `StoreError`."""

    def sheds(self) -> Sequence[str]:
        """Return every shed that has readings there."""
        ...

    def spans(self, shed: str) -> Mapping[str, tuple[int, int]]:
        """Return the first and the last time of each sensor, by name."""
        ...

    def newest(self, shed: str, oldest_us: int, newest_us: int) -> Sequence[Newest]:
        """Return each sensor's newest reading in (oldest, newest]; of every shed where none is named."""
        ...

    def block(self, shed: str, sensor: str, start_us: int, end_us: int) -> Block:
        """Return a sensor's readings in [start, end), in order of time."""
        ...

    def text_starts(self, shed: str, key: str) -> Sequence[Start]:
        """Return where the newest few texts under a key begin, newest first."""
        ...

    def words(self, shed: str, key: str, start_us: int, end_us: int) -> Mapping[int, float]:
        """Return the words of texts in [start, end), by time."""
        ...

    def numbers(self, until_us: int) -> Mapping[str, Mapping[str, float]]:
        """Return the newest numbers of every shed up to a time, by shed and field."""
        ...

    def close(self) -> None:
        """Close the connections."""
        ...


class CentralStore:
    """Reads one shed from a central store, as forwarded there; raises `StoreError` where it is to write.

    Parameters
    ----------
    engine
        The central store.
    shed
        The shed's id.
    name
        The store in words, for errors.
    """

    def __init__(self, engine: Engine, shed: str, name: str) -> None:
        self._engine = engine
        self._shed = shed
        self._name = name

    def sensors(self) -> Mapping[str, SensorSpan]:
        """Return every sensor ever forwarded, by name."""
        found = self._engine.spans(self._shed)
        return {name: SensorSpan(*map(from_us, found[name])) for name in sorted(found)}

    def latest(self, at: datetime, within: timedelta) -> Mapping[str, Reading]:
        """Return each sensor's newest reading in (at - within, at]; silent sensors are absent."""
        found = self._engine.newest(self._shed, to_us(at - within), to_us(at))
        return {item.reading.sensor: item.reading for item in sorted(found, key=lambda i: i.reading.sensor)}

    def window(self, sensor: str, start: datetime, end: datetime) -> Samples:
        """Return a sensor's readings in [start, end); empty arrays where there are none."""
        block = self._engine.block(self._shed, sensor, to_us(start), to_us(end))
        return Samples(times_us=block.at_us, values=block.value, flags=block.flags)

    def rollup(self, sensor: str, start: datetime, end: datetime, step: timedelta) -> Rollup:
        """Return a sensor's readings without a flag, summed up in steps; see `Store.rollup`."""
        asked = rollup.steps(start, end, step)
        found = self.window(sensor, start, end)
        return rollup.fold(asked, [rollup.of_readings(found.times_us, found.values, found.flags)])

    def rollups(self, start: datetime, end: datetime, step: timedelta) -> Mapping[str, Rollup]:
        """Return every sensor's roll-up; see `Store.rollups`."""
        return {name: self.rollup(name, start, end, step) for name in self.sensors()}

    def read_state(self, key: str) -> State | None:
        """Return the newest whole text forwarded under a key, or None."""
        for start in self._engine.text_starts(self._shed, key):
            end_us = start.at_us + text_span_us(start.size_bytes)
            words = self._engine.words(self._shed, key, start.at_us, end_us)
            by_step = {(at_us - start.at_us) // WORD_STEP_US: word for at_us, word in words.items()}
            text = unpack_text(start.size_bytes, start.check, by_step)
            if text is not None:
                return State(text, from_us(start.at_us))
        return None

    def rejected(self, limit: int) -> Sequence[Rejected]:  # noqa: ARG002  the same question of every store
        """Return nothing: what was put aside stays in its shed."""
        return []

    def rejected_counts(self) -> Mapping[str, int]:
        """Return nothing: what was put aside stays in its shed."""
        return {}

    def marks(self) -> Sequence[Mark]:
        """Return nothing: redeliveries are told apart in their shed."""
        return []

    def add(
        self,
        readings: Sequence[Reading],  # noqa: ARG002  as above
        rejected: Sequence[Rejected] = (),  # noqa: ARG002  as above
        marks: Sequence[Mark] = (),  # noqa: ARG002  as above
    ) -> Added:
        """Refuse: readings come here from a shed's own store, by `collector.forward`."""
        self._refuse()

    def write_state(self, key: str, state: State) -> None:  # noqa: ARG002  as above
        """Refuse, as `add` does."""
        self._refuse()

    def close(self) -> None:
        """Close the connections."""
        self._engine.close()

    def _refuse(self) -> NoReturn:
        raise StoreError(
            f"{self._name}: is only read from here; readings reach it by [forward] in their shed"
        )


def sensor_name(tags: Mapping[str, str]) -> str:
    """Return a sensor's name from its tags."""
    place, quantity = tags.get("place", ""), tags.get("quantity", "")
    return f"{place}.{quantity}" if place else quantity


def split_name(sensor: str) -> tuple[str, str]:
    """Return a sensor's place and quantity."""
    place, _, quantity = sensor.rpartition(".")
    return place, quantity


def as_reading(
    sensor: str, at_us: int, value: float, delay_us: float | None, raised: float | None
) -> Reading:
    """Return a reading from its fields; one that is 0 was not written."""
    received_at = from_us(at_us + int(delay_us or 0))
    return Reading(sensor, from_us(at_us), float(value), received_at, Flag(int(raised or 0)))


def empty_block() -> Block:
    """Return a block of no readings."""
    nothing = np.empty(0, dtype=np.int64)
    return Block(nothing, np.empty(0, dtype=np.float64), nothing, nothing)
