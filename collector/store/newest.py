"""What a store's file says last of each sensor, from its rows alone: what a screen asks every few seconds.

No arrays are made and numpy is not loaded. Readings that have moved into chunks, as those of a sensor that
has been silent for hours, are not found here but by a whole `Store`.
"""

import os
from collections.abc import Mapping
from datetime import datetime, timedelta

from collector.clock import from_us, to_us
from collector.correction import Corrections, true_reading
from collector.domain import Flag, Reading
from collector.store import rows
from collector.store.base import SensorSpan
from collector.store.connection import Database
from collector.store.file import open_file


class NewestRows:
    """The newest readings of a store's file that is open to read, calibrated sensors corrected."""

    def __init__(self, database: Database, corrections: Corrections) -> None:
        self._database = database
        self._corrections = corrections

    def sensors(self) -> Mapping[str, SensorSpan]:
        """Return every sensor ever heard, by name."""
        with self._database.reading() as con:
            return spans_of(rows.spans(con))

    def latest(self, at: datetime, within: timedelta) -> Mapping[str, Reading]:
        """Return each sensor's newest row in (at - within, at]; those that have none there are absent."""
        with self._database.reading() as con:
            spans = rows.spans(con)
            found = rows.newest(con, spans.values(), to_us(at - within), to_us(at))
        read = {name: reading_of(name, found[span.id]) for name, span in spans.items() if span.id in found}
        return {name: true_reading(one, self._corrections.get(name, ())) for name, one in read.items()}

    def close(self) -> None:
        """Close the file."""
        self._database.close()


def open_newest(path: str | os.PathLike[str], corrections: Corrections) -> NewestRows:
    """Open the store at `path`, to read its newest readings.

    Raises
    ------
    StoreError
        If there is none yet, or it cannot be opened.
    """
    return NewestRows(open_file(path, read_only=True), corrections)


def spans_of(found: Mapping[str, rows.Span]) -> dict[str, SensorSpan]:
    """Return sensors' spans as times."""
    return {name: SensorSpan(from_us(span.first_us), from_us(span.last_us)) for name, span in found.items()}


def reading_of(sensor: str, row: rows.Row) -> Reading:
    """Return a row as a reading."""
    return Reading(sensor, from_us(row.at_us), row.value, from_us(row.at_us + row.delay_us), Flag(row.flags))
