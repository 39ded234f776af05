"""From the journal to answers: which cures there are, and where each stands."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime, timedelta

from collector.errors import InputError
from collector.journal import Journal, open_journal
from collector.journal_book import EMPTY, Book, Cure
from collector.journal_text import read_journal_text
from collector.store.memory import MemoryStore
from dashboards.session import Session
from forecast.batches import Cards, laid, learned_pots, live_at, read_cards, ready_hour
from forecast.card import Card
from forecast.card_files import find_card
from forecast.cure_outlook import CureOutlook
from forecast.outlook import Outlook
from forecast.resin import LotLearning, PotGel, learn_lot
from forecast.tonight import CureTonight, tonight
from forecast.tonight_ahead import cure_outlook

_FRESH = timedelta(minutes=10)  # two refreshes


@contextmanager
def writing(session: Session) -> Iterator[Journal]:
    """Open the journal to enter something."""
    if session.central is not None:
        raise InputError(f"--store {session.central}: a cure is entered in its shed, not from here")
    journal = open_journal(session.journal_path)
    if journal is None:  # only a journal that is merely read may be missing
        raise InputError(f"{session.journal_path}: cannot be made")
    try:
        yield journal
    finally:
        journal.close()


def read_book(session: Session) -> Book:
    """Return what stands in the journal; nothing where nobody has begun one.

    Raises
    ------
    StoreError
        If the journal cannot be read.
    """
    if session.central is not None:
        return _book_at_central(session)
    journal = open_journal(session.journal_path, read_only=True)
    if journal is None:
        return EMPTY
    try:
        return journal.book()
    finally:
        journal.close()


def _book_at_central(session: Session) -> Book:
    store = session.open_store(read_only=True)
    try:
        state = store.read_state("journal")
    finally:
        store.close()
    return EMPTY if state is None else read_journal_text(state.text)


def stand(
    session: Session, book: Book, cures: Sequence[Cure], at: datetime
) -> tuple[tuple[CureTonight, ...], Cards]:
    """Work out where some cures stand at a moment; cures whose card cannot be read are left out and named.

    Raises
    ------
    StoreError
        If there is no store or it cannot be read.
    """
    cards = read_cards((cure.batch.card for cure in cures), session.card_folders)
    hour = ready_hour(session.config.cure, session.config.shed.zone)
    store = session.open_store(read_only=True)
    try:
        pots = learned_pots(book, cards, store, at)
        batches = [
            laid(cure, cards.found[cure.batch.card], hour.wanted(cure.laid_at, at) if hour else None)
            for cure in cures
            if cure.batch.card in cards.found
        ]
        return tonight(batches, store, at, pots), cards
    finally:
        store.close()


def cures_now(
    session: Session, book: Book, outlook: Outlook | None, moment: datetime
) -> tuple[tuple[CureOutlook, ...], tuple[str, ...]]:
    """Return every live cure, and what is wrong with cards of others.

    What the outlook says is taken while it is fresh and nothing was entered since it was made; the
    other cures go by the warmth of the last hours.

    Raises
    ------
    StoreError
        If there is no store or it cannot be read.
    """
    live = live_at(book, moment)
    kept: dict[str, CureOutlook] = {}
    if outlook is not None and moment - outlook.issued_at <= _FRESH:
        told = {entry.fields.get("cure") for entry in book.entries if entry.entered_at > outlook.issued_at}
        kept = {cure.key: cure for cure in outlook.cures if cure.key not in told}
    others = [cure for cure in live if cure.key not in kept]
    mistakes: tuple[str, ...] = ()
    if others:
        stands, cards = stand(session, book, others, moment)
        kept |= {found.laid.key: cure_outlook(found, None) for found in stands}
        mistakes = cards.mistakes
    return tuple(kept[cure.key] for cure in live if cure.key in kept), mistakes


def lot_learning(session: Session, book: Book, card_name: str, lot: str) -> LotLearning:
    """Return how a lot gels beside its sheet, from every cup and gel in the journal.

    Raises
    ------
    InputError, ConfigError, StoreError
        If the card or the store cannot be read.
    """
    card = find_card(card_name, session.card_folders)
    return learn_lot(card, card_pots(session, book, card_name, card), lot)


def card_pots(session: Session, book: Book, card_name: str, card: Card) -> Sequence[PotGel]:
    """Return every gel seen of one card's resin; the readings of the store where there is one.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    cards = Cards({card_name: card}, ())
    there = session.central is not None or session.store_path.exists()
    store = session.open_store(read_only=True) if there else MemoryStore()
    try:
        return learned_pots(book, cards, store, session.clock.now()).get(card.key, [])
    finally:
        store.close()
