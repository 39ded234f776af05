"""What a record rests on: the raw readings and journal entries, and a digest by which to know them again."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from collector.clock import to_us
from collector.journal_book import Entry
from collector.store.base import Store
from forecast.verdict import NEEDED

BEFORE = timedelta(hours=1)
"""Readings of the hour before the batch was mixed belong to it: they bound what it was laid on."""
_US = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Evidence:
    """One sensor's raw readings in [start, end): how many, and their SHA-256.

    The digest is of one line a reading, ``microseconds since 1970 UTC,value,flags`` with the value as
    Python writes the double, in order of time.
    """

    sensor: str
    start: datetime
    end: datetime
    count: int
    sha256: str


def evidence_of(raw: Store, bay: str, start: datetime, end: datetime) -> tuple[Evidence, ...]:
    """Return the evidence of a bay's sensors from a store that is not corrected.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    found = []
    for quantity in NEEDED:
        sensor = f"{bay}.{quantity}"
        samples = raw.window(sensor, start, end)
        digest = hashlib.sha256()
        rows = zip(samples.times_us.tolist(), samples.values.tolist(), samples.flags.tolist(), strict=True)
        for at_us, value, flags in rows:
            digest.update(f"{at_us},{value!r},{flags}\n".encode())
        found.append(Evidence(sensor, start, end, int(np.size(samples.times_us)), digest.hexdigest()))
    return tuple(found)


def entries_sha256(entries: Sequence[Entry]) -> str:
    """Return the SHA-256 of journal entries, one JSON line each in the order of their numbers."""
    digest = hashlib.sha256()
    for entry in entries:
        row = [entry.number, to_us(entry.at), to_us(entry.entered_at), dict(entry.fields)]
        digest.update(json.dumps(row, sort_keys=True, ensure_ascii=False).encode() + b"\n")
    return digest.hexdigest()


def span(began_at: datetime, until: datetime) -> tuple[datetime, datetime]:
    """Return the stretch [start, end) whose readings belong to a cure."""
    return began_at - BEFORE, until + _US
