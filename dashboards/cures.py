"""From the journal to answers: which cures there are, and where each stands."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from collector.errors import ConfigError, InputError
from collector.journal import Journal, open_journal
from collector.journal_book import EMPTY, Book, Cure, Mark
from collector.store.base import Store
from collector.store.memory import MemoryStore
from dashboards.session import Session
from forecast.card import Card, Stage
from forecast.card_files import find_card
from forecast.cure_state import Seen
from forecast.resin import LotLearning, PotGel, learn_lot
from forecast.tonight import CureTonight, Laid, gel_pots, tonight

_STAGES = {
    Mark.GEL: Stage.GEL,
    Mark.TACK_FREE: Stage.TACK_FREE,
    Mark.GROUND: Stage.SANDABLE,
    Mark.RELEASED: Stage.HANDLING,
    Mark.HARD: Stage.FULL,
}
_POTS_PER_CARD = 200  # the newest gels; older ones were of lots long used up


@dataclass(frozen=True, slots=True)
class Cards:
    """The cards that cures name, each read once; `mistakes` says what is wrong with the others."""

    found: Mapping[str, Card]
    mistakes: tuple[str, ...]


@contextmanager
def writing(session: Session) -> Iterator[Journal]:
    """Open the journal to enter something."""
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
    journal = open_journal(session.journal_path, read_only=True)
    if journal is None:
        return EMPTY
    try:
        return journal.book()
    finally:
        journal.close()


def live_at(book: Book, at: datetime) -> list[Cure]:
    """Return the cures that were laid and not ended at a moment."""
    return [
        cure
        for cure in book.cures.values()
        if cure.laid_at <= at and (cure.ended_at is None or cure.ended_at > at)
    ]


def read_cards(names: Iterable[str], folders: Sequence[Path]) -> Cards:
    """Read the cards of some names; one that cannot be read leaves the others alone."""
    found: dict[str, Card] = {}
    mistakes: list[str] = []
    for name in dict.fromkeys(names):
        try:
            found[name] = find_card(name, folders)
        except (InputError, ConfigError) as error:
            mistakes.append(str(error))
    return Cards(found, tuple(mistakes))


def laid(cure: Cure, card: Card) -> Laid:
    """Return a cure as forecasts want it."""
    batch = cure.batch
    return Laid(
        key=cure.key,
        bay=batch.bay,
        part=batch.part,
        card=card,
        catalyst_pct=batch.catalyst_pct,
        laid_at=cure.laid_at,
        mixed_at=batch.mixed_at,
        resin_c=batch.resin_c,
        lot=batch.lot,
        seen=Seen(
            {stage: cure.marks[mark] for mark, stage in _STAGES.items() if mark in cure.marks},
            next_ply_at=cure.marks.get(Mark.NEXT_PLY),
            dew_at=cure.marks.get(Mark.DEW),
        ),
    )


def learned_pots(book: Book, cards: Cards, store: Store, at: datetime) -> dict[str, list[PotGel]]:
    """Return every gel seen by a moment, in cups and on parts, by the card's key.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    gelled = [
        laid(cure, cards.found[cure.batch.card])
        for cure in book.cures.values()
        if cure.batch.card in cards.found and cure.marks.get(Mark.GEL, at) < at
    ]
    pots = gel_pots(gelled[-_POTS_PER_CARD:], store)
    for cup in book.cups:
        if cup.card in cards.found and cup.at is not None and cup.at <= at:
            pot = PotGel(cup.temp_c, cup.catalyst_pct, cup.time_min, cup.lot)
            pots.setdefault(cards.found[cup.card].key, []).append(pot)
    return pots


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
    store = session.open_store(read_only=True)
    try:
        pots = learned_pots(book, cards, store, at)
        batches = [
            laid(cure, cards.found[cure.batch.card]) for cure in cures if cure.batch.card in cards.found
        ]
        return tonight(batches, store, at, pots), cards
    finally:
        store.close()


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
    store = session.open_store(read_only=True) if session.store_path.exists() else MemoryStore()
    try:
        return learned_pots(book, cards, store, session.clock.now()).get(card.key, [])
    finally:
        store.close()
