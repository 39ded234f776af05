"""The journal keeps what it was told, in order, for ever."""

import multiprocessing
import os
import signal
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import InputError, StoreError
from collector.journal import Journal, Told, open_journal
from collector.journal_book import EMPTY, Batch, Cup, Entry, Mark, fold

NOW = datetime(2026, 4, 2, 22, 0, tzinfo=UTC)
BATCH = Batch(
    "keel", "hull", "generic-vinyl-ester", 1.75, lot="A7", mass_g=800.0, layup="2x450", resin_c=18.0
)


def told(minutes: float = 0.0) -> Told:
    return Told(NOW + timedelta(minutes=minutes), NOW + timedelta(hours=3))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "yard" / "layday.journal.sqlite"


def opened(path: Path) -> Journal:
    journal = open_journal(path)
    assert journal is not None
    return journal


def test_a_cure_and_what_was_seen_of_it_come_back_from_the_file(path: Path) -> None:
    journal = opened(path)
    mixed = Batch(**{name: getattr(BATCH, name) for name in BATCH.__slots__} | {"mixed_at": NOW})
    key = journal.start(mixed, told())
    journal.mark(key, Mark.GEL, told(25.0))
    journal.note(key, " heater off \N{EN DASH} no gas ", told(30.0))
    journal.cup(Cup("generic-vinyl-ester", "A7", 1.75, 20.0, 27.5, 100.0), told(5.0))
    journal.end(key, told(60.0))
    journal.close()
    reader = open_journal(path, read_only=True)
    assert reader is not None
    book = reader.book()
    reader.close()
    cure = book.cure("K1")
    assert cure.key == key == "k1"
    assert cure.batch == mixed
    assert cure.laid_at == NOW
    assert cure.marks == {Mark.GEL: NOW + timedelta(minutes=25)}
    assert cure.notes == ((NOW + timedelta(minutes=30), "heater off \N{EN DASH} no gas"),)
    assert cure.ended_at == NOW + timedelta(hours=1)
    assert book.live == ()
    (cup,) = book.cups
    assert (cup.lot, cup.time_min, cup.at) == ("A7", 27.5, NOW + timedelta(minutes=5))


def test_corrections_are_further_entries(path: Path) -> None:
    """A mark made again, a batch told anew, an entry taken back: the first ones stay in the file."""
    journal = opened(path)
    key = journal.start(BATCH, told())
    journal.mark(key, Mark.GEL, told(25.0))
    journal.mark(key, Mark.GEL, told(28.0))
    journal.fix(key, Batch("keel", "hull", "generic-vinyl-ester", 1.5), told(-10.0))
    cure = journal.book().cure(key)
    assert cure.marks == {Mark.GEL: NOW + timedelta(minutes=28)}
    assert cure.batch.catalyst_pct == 1.5
    assert cure.laid_at == NOW - timedelta(minutes=10)
    assert journal.take_back(3, told()).fields["what"] == "gel"
    assert journal.book().cure(key).marks == {Mark.GEL: NOW + timedelta(minutes=25)}
    assert journal.take_back(None, told()).fields["kind"] == "fix"
    assert journal.book().cure(key).batch == BATCH
    journal.close()
    con = sqlite3.connect(path)
    assert con.execute("SELECT count(*) FROM entry").fetchone() == (6,)
    con.close()


def test_nothing_is_ever_changed_or_deleted(path: Path) -> None:
    """Not even by another program that opens the file."""
    journal = opened(path)
    journal.start(BATCH, told())
    journal.close()
    con = sqlite3.connect(path)
    for statement in ("UPDATE entry SET text = '{}'", "DELETE FROM entry"):
        with pytest.raises(sqlite3.IntegrityError, match="append-only"):
            con.execute(statement)
    con.close()


def test_names_are_short_and_never_come_twice(path: Path) -> None:
    """Nor does the name of a cure that was taken back."""
    journal = opened(path)
    assert journal.start(BATCH, told()) == "k1"
    assert journal.start(Batch("sheer", "stem", "card", 1.0), told()) == "s2"
    journal.take_back(None, told())
    assert journal.start(Batch("sheer", "stem", "card", 1.0), told()) == "s3"
    assert set(journal.book().cures) == {"k1", "s3"}
    journal.close()


def test_what_makes_no_sense_is_refused_in_words(path: Path) -> None:
    journal = opened(path)
    with pytest.raises(InputError, match="the journal is empty"):
        journal.take_back(None, told())
    key = journal.start(BATCH, told())
    bad = (
        (lambda: journal.mark("z9", Mark.GEL, told()), "no cure is called 'z9'; live are: k1"),
        (lambda: journal.mark(key, Mark.GEL, told(-60.0)), "before k1 was laid"),
        (lambda: journal.mark(key, Mark.GEL, told(600.0)), "yet to come"),
        (lambda: journal.note(key, "  ", told()), "needs words"),
        (lambda: journal.take_back(99, told()), "no entry 99"),
        (lambda: journal.start(Batch("", "hull", "card", 1.0), told()), "a bay, a part and a card"),
        (lambda: journal.start(Batch("keel", "hull", "card", 0.0), told()), "--percent"),
        (lambda: journal.start(Batch("keel", "hull", "card", 1.0, mass_g=-1.0), told()), "--mass"),
        (lambda: journal.start(Batch("keel", "hull", "card", 1.0, resin_c=99.0), told()), "--resin"),
        (lambda: journal.cup(Cup("card", "", 1.0, 20.0, 0.0), told()), "--time"),
    )
    for call, words in bad:
        with pytest.raises(InputError, match=words):
            call()
    assert len(journal.book().entries) == 1
    journal.close()


def test_a_file_that_is_no_journal_is_refused(path: Path) -> None:
    assert open_journal(path, read_only=True) is None
    path.parent.mkdir()
    path.write_bytes(b"something else, long enough to be no empty file\n" * 40)
    with pytest.raises(StoreError, match="no layday store"):
        open_journal(path)
    path.unlink()
    con = sqlite3.connect(path)
    con.execute("CREATE TABLE theirs (x)")
    con.close()
    with pytest.raises(StoreError, match="is no layday journal"):
        open_journal(path)


def test_a_later_form_is_not_guessed_at(path: Path) -> None:
    opened(path).close()
    con = sqlite3.connect(path)
    con.execute("PRAGMA user_version = 2")
    con.close()
    with pytest.raises(StoreError, match="later layday"):
        open_journal(path)


def _write_for_ever(path: str, told_count: "multiprocessing.sharedctypes.Synchronized[int]") -> None:
    journal = open_journal(Path(path))
    assert journal is not None
    for i in range(10_000):
        journal.note("k1", f"note {i}", told())
        told_count.value = i + 1


def test_what_was_told_survives_a_kill(path: Path) -> None:
    """Every note whose call returned before kill -9 is in the file, and the file is sound."""
    journal = opened(path)
    journal.start(BATCH, told())
    journal.close()
    context = multiprocessing.get_context("spawn")
    count = context.Value("i", 0)
    for least in (5, 12, 20):
        before = count.value
        writer = context.Process(target=_write_for_ever, args=(str(path), count))
        writer.start()
        while count.value < least or count.value == before:
            assert writer.is_alive()
        assert writer.pid is not None
        os.kill(writer.pid, signal.SIGKILL)
        writer.join()
        reader = opened(path)
        words = [note for _, note in reader.book().cure("k1").notes]
        reader.close()
        assert f"note {count.value - 1}" in words
        count.value = 0


_KINDS = st.sampled_from(["start", "mark", "note", "end", "take back"])


@given(st.lists(st.tuples(_KINDS, st.integers(1, 30)), max_size=40))
def test_any_order_of_entries_comes_to_something(told_of: list[tuple[str, int]]) -> None:
    """Entries of cures whose start was taken back are passed over; counts only grow."""
    entries, started = [], 0
    for number, (kind, other) in enumerate(told_of, 1):
        key = f"k{other % max(started, 1) + 1}"
        fields: dict[str, object] = {"kind": kind, "cure": key}
        if kind == "start":
            started += 1
            fields |= {name: getattr(BATCH, name) for name in BATCH.__slots__} | {"cure": f"k{started}"}
        elif kind == "mark":
            fields["what"] = Mark.GEL.value
        elif kind == "note":
            fields["words"] = "x"
        elif kind == "take back":
            fields = {"kind": kind, "entry": other}
        entries.append(Entry(number, NOW, NOW, fields))
    book = fold(entries)
    assert book.cure_count == started
    assert set(book.cures) <= {f"k{i + 1}" for i in range(started)}
    assert len(book.entries) <= len(entries)
    assert fold([]) == EMPTY
