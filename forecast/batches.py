"""From the journal to what forecasts want: cures with their cards, marks and hour wanted."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from pathlib import Path

from collector.cure_config import CureConfig
from collector.errors import ConfigError, InputError
from collector.journal_book import Book, Cure, Mark
from collector.store.base import Store
from forecast.card import Card, Stage
from forecast.card_files import find_card
from forecast.cure_outlook import Wanted
from forecast.cure_state import Seen
from forecast.resin import PotGel
from forecast.tonight import Laid, gel_pots

_STAGES = {
    Mark.GEL: Stage.GEL,
    Mark.TACK_FREE: Stage.TACK_FREE,
    Mark.GROUND: Stage.SANDABLE,
    Mark.RELEASED: Stage.HANDLING,
    Mark.HARD: Stage.FULL,
}
_POTS_PER_CARD = 200  # the newest gels; older ones were of lots long used up
_A_NIGHT = timedelta(hours=6)  # nobody who lays at five wants it sandable by seven


@dataclass(frozen=True, slots=True)
class Cards:
    """The cards that cures name, each read once; `mistakes` says what is wrong with the others."""

    found: Mapping[str, Card]
    mistakes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReadyHour:
    """By which hour of the shed's clock a cure is wanted at a stage where nobody said otherwise."""

    stage: Stage
    clock: time
    zone: tzinfo

    def wanted(self, laid_at: datetime, at: datetime) -> Wanted:
        """Return the first such hour still to come, a night's length or more after laying.

        >>> by_seven = ReadyHour(Stage.SANDABLE, time(7), UTC)
        >>> laid_at = datetime(2026, 4, 2, 19, tzinfo=UTC)
        >>> by_seven.wanted(laid_at, laid_at).at.isoformat()
        '2026-04-03T07:00:00+00:00'
        """
        after = max(laid_at + _A_NIGHT, at)
        day = after.astimezone(self.zone).date()
        moment = datetime.combine(day, self.clock, self.zone).astimezone(UTC)
        if moment < after:
            moment = datetime.combine(day + timedelta(days=1), self.clock, self.zone).astimezone(UTC)
        return Wanted(self.stage, moment, default=True)


def ready_hour(config: CureConfig, zone: tzinfo) -> ReadyHour | None:
    """Return the configuration's hour; None where it names none."""
    if not config.ready_by:
        return None
    return ReadyHour(Stage(config.ready_stage), time.fromisoformat(config.ready_by), zone)


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


def laid(cure: Cure, card: Card, wanted: Wanted | None = None) -> Laid:
    """Return a cure as forecasts want it; `wanted` stands in where its batch says none."""
    batch = cure.batch
    if batch.ready_by is not None:
        wanted = Wanted(Stage(batch.ready_stage or Stage.SANDABLE), batch.ready_by)
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
        wanted=wanted,
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
