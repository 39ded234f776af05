"""What the keys of the live screen enter in the journal, by the same rules as `layday cure`."""

import getpass
from dataclasses import dataclass

from collector.errors import InputError
from collector.journal import Told
from collector.journal_book import Book, Mark
from collector.units import parse_percent
from dashboards.cure_words import Given, cure_and_rest, filled
from dashboards.cures import read_book, writing
from dashboards.notify.alarm_file import alarm_path, open_alarm_file
from dashboards.notify.service import desk_of
from dashboards.session import Session
from forecast.shed_now import bay_names

MARKS = {"gel": Mark.GEL, "ply": Mark.NEXT_PLY}


@dataclass(frozen=True, slots=True)
class Question:
    """What a key asks for before anything is entered, and what stands there already."""

    kind: str
    words: str
    given: str = ""


def question(session: Session, kind: str) -> Question:
    """Return what to ask for ``start``, ``gel``, ``ply`` or ``note``.

    Raises
    ------
    InputError
        If it makes no sense now: no cure is live.
    StoreError
        If the journal cannot be read.
    """
    book = read_book(session)
    if kind == "start":
        last = next(reversed(list(book.cures.values())), None)
        given = "" if last is None else f"{last.batch.bay} {last.batch.part} {last.batch.catalyst_pct:g}%"
        return Question(kind, "Laid now: bay, part, hardener %. Enter, or Esc to leave it", given)
    if not book.live:
        raise InputError("no cure is live; c starts one")
    key = book.live[-1].key if len(book.live) == 1 else ""
    which = "" if key else f" Which: {_names(book)}."
    words = {"gel": "Gel, now.", "ply": "The next ply is on, now.", "note": "Note:"}[kind]
    return Question(kind, f"{words}{which} Enter, or Esc to leave it", f"{key} ".lstrip())


def acknowledge(session: Session) -> tuple[str, ...]:
    """Answer every alarm that stands; return the names of those answered, none where nobody watches.

    Raises
    ------
    StoreError
        If the alarms cannot be written.
    """
    path = alarm_path(session.store_path)
    file = open_alarm_file(path) if path.exists() else None
    if file is None:
        return ()
    try:
        desk = desk_of(file, session.config)
        changed = desk.acknowledge(["all"], getpass.getuser(), session.clock.now())
    finally:
        file.close()
    return tuple(alarm.name for alarm in changed)


def enter(session: Session, kind: str, words: str) -> str:
    """Enter what was typed, as told now, and return a line that confirms it.

    Raises
    ------
    InputError
        If it makes no sense; the words say what would.
    StoreError
        If the journal cannot be written.
    """
    now = session.clock.now()
    told, book = Told(now, now), read_book(session)
    if kind == "start":
        return _start(session, book, words, told)
    found, rest = cure_and_rest(book, words.split())
    with writing(session) as journal:
        if kind == "note":
            journal.note(found.key, " ".join(rest), told)
            return f"{found.key}: noted. 'layday cure undo' takes it back."
        if rest:
            raise InputError(f"{' '.join(rest)!r} is no cure; live are {_names(book)}")
        journal.mark(found.key, MARKS[kind], told)
    clock = session.reader.clock(now, now)
    return f"{found.key}: {MARKS[kind].value} at {clock}. 'layday cure undo' takes it back."


def _start(session: Session, book: Book, words: str, told: Told) -> str:
    parts = words.split()
    percent = next((part for part in parts if part.endswith("%")), None)
    named = [part for part in parts if part != percent]
    given = Given(
        bay=named[0] if named else None,
        part=" ".join(named[1:]) or None,
        catalyst_pct=None if percent is None else parse_percent(percent),
    )
    full = filled(given, book, bay_names(session.config.sensors, {}))
    with writing(session) as journal:
        key = journal.start(full.batch, told)
    batch = full.batch
    return f"{key}: {batch.part}, {batch.bay}; {batch.card}, {batch.catalyst_pct:g} %, laid now."


def _names(book: Book) -> str:
    return ", ".join(f"{cure.key} ({cure.batch.part}, {cure.batch.bay})" for cure in book.live)
