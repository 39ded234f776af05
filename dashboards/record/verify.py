"""Whether a record still says what is kept: its own text, the raw readings, the journal."""

import hashlib
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from collector.errors import InputError
from collector.journal_book import Book
from collector.store.base import Store
from dashboards.record.evidence import Evidence, entries_sha256, evidence_of
from dashboards.record.gather import CureData
from dashboards.record.html import text_and_about

SCHEMA = "layday/record/1"


def about_cures(shed: str, found: list[CureData]) -> dict[str, object]:
    """Return what a later check needs of some cures."""
    return {
        "schema": SCHEMA,
        "shed": shed,
        "cures": [
            {
                "cure": data.cure.key,
                "bay": data.cure.batch.bay,
                "until": data.until.isoformat(),
                "journal_sha256": data.journal_sha256,
                "readings": [_plain(one) for one in data.evidence],
            }
            for data in found
        ],
    }


def _plain(one: Evidence) -> dict[str, object]:
    return {
        "sensor": one.sensor,
        "start": one.start.isoformat(),
        "end": one.end.isoformat(),
        "count": one.count,
        "sha256": one.sha256,
    }


def differences(file: str, raw: Store, book: Book) -> list[str]:
    """Return in words what no longer agrees; empty where all does.

    Raises
    ------
    InputError
        If the file is no record of a cure.
    StoreError
        If the store cannot be read.
    """
    try:
        body, about = text_and_about(file, SCHEMA)
        said = []
        if hashlib.sha256(body.encode()).hexdigest() != about["text_sha256"]:
            said.append("its text was changed after it was made")
        for cure in about["cures"]:
            said += _of_cure(cure, raw, book)
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"is no record that layday made: {error}") from error
    return said


def _of_cure(told: Mapping[str, Any], raw: Store, book: Book) -> Iterator[str]:
    key, until = str(told["cure"]), datetime.fromisoformat(told["until"])
    entries = [entry for entry in book.entries if entry.fields.get("cure") == key and entry.at <= until]
    if entries_sha256(entries) != told["journal_sha256"]:
        yield f"{key}: the journal says something else now"
    for one in told["readings"]:
        start, end = (datetime.fromisoformat(one[edge]) for edge in ("start", "end"))
        kept = {found.sensor: found for found in evidence_of(raw, str(told["bay"]), start, end)}
        found = kept.get(one["sensor"])
        if found is None:
            yield f"{key}: {one['sensor']} is no sensor of its bay"
        elif found.count != one["count"]:
            yield f"{key}: {one['sensor']}: {found.count} readings are kept, the record has {one['count']}"
        elif found.sha256 != one["sha256"]:
            yield f"{key}: {one['sensor']}: a reading is not what it was"
