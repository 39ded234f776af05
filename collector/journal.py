"""The journal: cures, marks, notes and cup tests, append-only in a file beside the store.

An entry is never changed. Who was wrong writes another: a mark made again stands in place of the
first, `fix` tells a batch anew, `take_back` takes any entry back. What the entries come to is
worked out at each reading, in `collector.journal_book`.
"""

import json
import sqlite3
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path

from collector.clock import from_us, to_us
from collector.errors import InputError, StoreError
from collector.journal_book import Batch, Book, Cup, Cure, Entry, Mark, fold
from collector.store.connection import Database, connect, connect_reader, in_words

_APPLICATION_ID = 0x6C61796A  # "layj": a journal, not a store
_FORM = 1
_AHEAD = timedelta(minutes=5)  # two people's clocks
_EARLY = timedelta(minutes=30)  # a mark this long before laying is a slip of the date


@dataclass(frozen=True, slots=True)
class Told:
    """What was done and when it was told: the moment itself, and the moment of entry."""

    at: datetime
    entered_at: datetime


class Journal:
    """One journal file; entries are on disk when a method returns.

    Several processes may write in turn. All methods raise `StoreError` (`StoreFullError` with
    no space left), and `InputError` for what makes no sense.
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def book(self) -> Book:
        """Return what all entries come to."""
        with self._database.reading() as con:
            return fold(_entries(con))

    def entries(self) -> tuple[Entry, ...]:
        """Return every entry ever made, in order, those taken back too."""
        with self._database.reading() as con:
            return tuple(_entries(con))

    def start(self, batch: Batch, told: Told) -> str:
        """Enter a batch that was laid; return the short name of its cure, as in ``k1``."""
        _check_batch(batch)

        def entry(book: Book) -> Mapping[str, object]:
            key = f"{batch.bay[:1]}{book.cure_count + 1}"
            return {"kind": "start", "cure": key, **_batch_fields(batch)}

        return str(self._append(entry, told)["cure"])

    def fix(self, key: str, batch: Batch, told: Told) -> None:
        """Tell a cure's batch, and when it was laid, anew."""
        _check_batch(batch)

        def entry(book: Book) -> Mapping[str, object]:
            book.cure(key)
            return {"kind": "fix", "cure": key, **_batch_fields(batch)}

        self._append(entry, told)

    def mark(self, key: str, what: Mark, told: Told) -> None:
        """Enter what was seen of a cure; the same mark again stands in place of the first."""

        def entry(book: Book) -> Mapping[str, object]:
            _check_after(book.cure(key), what.value, told.at)
            return {"kind": "mark", "cure": key, "what": what.value}

        self._append(entry, told)

    def note(self, key: str, words: str, told: Told) -> None:
        """Enter a note on a cure."""
        if not words.strip():
            raise InputError("a note needs words; write them after the cure's name")

        def entry(book: Book) -> Mapping[str, object]:
            book.cure(key)
            return {"kind": "note", "cure": key, "words": words.strip()}

        self._append(entry, told)

    def end(self, key: str, told: Told) -> None:
        """Enter that a cure is over; it is no longer live."""

        def entry(book: Book) -> Mapping[str, object]:
            _check_after(book.cure(key), "end", told.at)
            return {"kind": "end", "cure": key}

        self._append(entry, told)

    def cup(self, cup: Cup, told: Told) -> None:
        """Enter a cup test."""
        for what, value in (("--percent", cup.catalyst_pct), ("--time", cup.time_min)):
            if not value > 0.0:
                raise InputError(f"{what}: must be above 0, not {value:g}")
        fields = {name: value for name, value in asdict(cup).items() if name != "at"}
        self._append(lambda _: {"kind": "cup", **fields}, told)

    def take_back(self, number: int | None, told: Told) -> Entry:
        """Take an entry back, the last one if none is named; return what was taken back."""
        taken: list[Entry] = []

        def entry(book: Book) -> Mapping[str, object]:
            standing = {entry.number: entry for entry in book.entries}
            if not standing:
                raise InputError("the journal is empty; there is nothing to take back")
            found = standing.get(max(standing) if number is None else number)
            if found is None:
                raise InputError(f"no entry {number} stands in the journal; 'layday cure show' numbers them")
            taken.append(found)
            return {"kind": "take back", "entry": found.number}

        self._append(entry, told)
        return taken[0]

    def close(self) -> None:
        """Close the file."""
        self._database.close()

    def _append(self, make: Callable[[Book], Mapping[str, object]], told: Told) -> Mapping[str, object]:
        """Make an entry in view of all others and write it, in one transaction."""
        if told.at > told.entered_at + _AHEAD:
            raise InputError(f"--at: {told.at.isoformat()} is yet to come; tell what has been")
        with self._database.writing() as con:
            fields = make(fold(_entries(con)))
            con.execute(
                "INSERT INTO entry (at_us, entered_us, text) VALUES (?, ?, ?)",
                (to_us(told.at), to_us(told.entered_at), json.dumps(fields, ensure_ascii=False)),
            )
        return fields


def open_journal(path: Path, *, read_only: bool = False) -> Journal | None:
    """Open the journal at `path`; unless `read_only`, make it where it is missing.

    Returns None where it is only to be read and nobody has written one.

    Raises
    ------
    StoreError
        If it is no journal, was made by a later layday, or cannot be opened.
    """
    if read_only and not path.exists():
        return None
    if not read_only:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(
                f"{path.parent}: the journal's folder cannot be made: {error.strerror}"
            ) from error
    with in_words(path), ExitStack() as undo:
        writer = None
        if not read_only:
            writer = connect(path, writable=True)
            undo.callback(writer.close)
            _make(path, writer)
        reader = connect_reader(path)
        undo.callback(reader.con.close)
        _check(path, reader.con)
        undo.pop_all()
    return Journal(Database(path, writer, reader))


def _make(path: Path, con: sqlite3.Connection) -> None:
    """Make the table on the first opening; the triggers hold everybody to append-only."""
    con.execute("BEGIN IMMEDIATE")
    empty = con.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0
    if empty:
        con.execute(
            "CREATE TABLE entry (number INTEGER PRIMARY KEY, at_us INTEGER NOT NULL,"
            " entered_us INTEGER NOT NULL, text TEXT NOT NULL) STRICT"
        )
        for verb in ("UPDATE", "DELETE"):
            con.execute(
                f"CREATE TRIGGER no_{verb.lower()} BEFORE {verb} ON entry"
                " BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"
            )
        con.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        con.execute(f"PRAGMA user_version = {_FORM}")
    con.execute("COMMIT")
    _check(path, con)


def _check(path: Path, con: sqlite3.Connection) -> None:
    mark = con.execute("PRAGMA application_id").fetchone()[0]
    form = con.execute("PRAGMA user_version").fetchone()[0]
    if mark != _APPLICATION_ID:
        raise StoreError(f"{path}: is no layday journal; move it away or give the store another path")
    if form > _FORM:
        raise StoreError(f"{path}: was written by a later layday; install that version or a later one")


def _entries(con: sqlite3.Connection) -> list[Entry]:
    rows = con.execute("SELECT number, at_us, entered_us, text FROM entry ORDER BY number")
    return [
        Entry(number, from_us(at), from_us(entered), json.loads(text)) for number, at, entered, text in rows
    ]


def _batch_fields(batch: Batch) -> dict[str, object]:
    fields = asdict(batch)
    for name in ("mixed_at", "ready_by"):
        fields[name] = None if fields[name] is None else fields[name].isoformat()
    return fields


def _check_batch(batch: Batch) -> None:
    if not batch.bay or not batch.part or not batch.card:
        raise InputError("a cure needs a bay, a part and a card: layday cure start keel hull --card CARD")
    if not 0.0 < batch.catalyst_pct <= 200.0:  # noqa: PLR2004  an epoxy's hardener may outweigh its resin
        raise InputError(f"--percent: {batch.catalyst_pct:g} % is not above 0 and at most 200")
    if batch.mass_g is not None and not batch.mass_g > 0.0:
        raise InputError(f"--mass: must be above 0, not {batch.mass_g:g} g")
    if batch.resin_c is not None and not -20.0 <= batch.resin_c <= 80.0:  # noqa: PLR2004  no resin is mixed beyond
        raise InputError(f"--resin: {batch.resin_c:g} °C is no temperature to mix at")


def _check_after(cure: Cure, what: str, at: datetime) -> None:
    if at < cure.laid_at - _EARLY:
        raise InputError(
            f"--at: {what} at {at.isoformat()} is before {cure.key} was laid; give the date too, "
            "or tell anew when it was laid with 'layday cure fix'"
        )
