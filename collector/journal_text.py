"""The journal as one text, for a central store, and back."""

import json
from datetime import datetime

from collector.errors import InputError
from collector.journal_book import Book, Entry, fold

SCHEMA = "layday/journal/1"


def journal_text(entries: tuple[Entry, ...]) -> str:
    """Return every entry of a journal as JSON text, those taken back and their taking back too."""
    listed = [
        {
            "number": entry.number,
            "at": entry.at.isoformat(),
            "entered_at": entry.entered_at.isoformat(),
            "fields": dict(entry.fields),
        }
        for entry in entries
    ]
    return json.dumps({"schema": SCHEMA, "entries": listed}, ensure_ascii=False, separators=(",", ":"))


def read_journal_text(text: str) -> Book:
    """Return what the entries of such a text come to.

    Raises
    ------
    InputError
        If it is none, or of another version of layday.
    """
    try:
        raw = json.loads(text)
        if raw["schema"] != SCHEMA:
            raise InputError(
                f"the journal's schema is {raw['schema']!r}, not {SCHEMA!r}: install that layday"
            )
        return fold(
            Entry(
                number=one["number"],
                at=datetime.fromisoformat(one["at"]),
                entered_at=datetime.fromisoformat(one["entered_at"]),
                fields=one["fields"],
            )
            for one in raw["entries"]
        )
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"the journal's text cannot be read: {error!r}") from error
