"""From store, journal and configuration to all that the record of one cure says."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from collector.errors import InputError
from collector.journal_book import Book, Cure, Entry
from collector.store.base import Samples
from dashboards.cures import stand
from dashboards.record.evidence import Evidence, entries_sha256, evidence_of, span
from dashboards.session import Session
from forecast.card import Card
from forecast.cure_outlook import CureOutlook
from forecast.tonight_ahead import cure_outlook
from forecast.verdict import NEEDED


@dataclass(frozen=True, slots=True)
class CureData:
    """One cure as the record tells it, up to `until`; `samples` are corrected, `evidence` is raw."""

    cure: Cure
    card: Card
    outlook: CureOutlook
    entries: tuple[Entry, ...]
    samples: Mapping[str, Samples]
    evidence: tuple[Evidence, ...]
    journal_sha256: str
    until: datetime


def cures_named(book: Book, word: str) -> list[Cure]:
    """Return the cure of that name, or every cure of the part of that name.

    Raises
    ------
    InputError
        If there is none.
    """
    if word.lower() in book.cures:
        return [book.cures[word.lower()]]
    found = [cure for cure in book.cures.values() if cure.batch.part.lower() == word.lower()]
    if not found:
        parts = ", ".join(dict.fromkeys(cure.batch.part for cure in book.cures.values())) or "none"
        raise InputError(f"no cure and no part is called {word!r}; parts are: {parts}")
    return found


def gather(session: Session, book: Book, cures: Sequence[Cure], at: datetime) -> list[CureData]:
    """Return what the record says of some cures, as known at a moment.

    Raises
    ------
    InputError
        If a cure's card cannot be read, or it was laid after the moment.
    StoreError
        If the store cannot be read.
    """
    return [_gather(session, book, cure, min(at, cure.ended_at or at)) for cure in cures]


def _gather(session: Session, book: Book, cure: Cure, until: datetime) -> CureData:
    if cure.laid_at > until:
        raise InputError(f"{cure.key} was laid at {cure.laid_at.isoformat()}, after the moment asked about")
    stands, cards = stand(session, book, [cure], until)
    if cards.mistakes:
        raise InputError("\n".join(cards.mistakes))
    bay = cure.batch.bay
    start, end = span(stands[0].laid.began_at, until)
    raw = session.open_raw_store()
    try:
        evidence = evidence_of(raw, bay, start, end)
    finally:
        raw.close()
    store = session.open_store(read_only=True)
    try:
        samples = {name: store.window(f"{bay}.{name}", start, end) for name in NEEDED}
    finally:
        store.close()
    entries = tuple(
        entry for entry in book.entries if entry.fields.get("cure") == cure.key and entry.at <= until
    )
    return CureData(
        cure=cure,
        card=cards.found[cure.batch.card],
        outlook=cure_outlook(stands[0], None),
        entries=entries,
        samples=samples,
        evidence=evidence,
        journal_sha256=entries_sha256(entries),
        until=until,
    )
