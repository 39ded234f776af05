"""What people type about cures: which one, what was seen, and what goes without saying."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from collector.errors import InputError
from collector.journal_book import Batch, Book, Cure, Mark
from collector.nearest import did_you_mean

_SUFFIX = ".toml"
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Given:
    """What was typed of a batch; None where nothing was."""

    bay: str | None = None
    part: str | None = None
    card: str | None = None
    catalyst_pct: float | None = None
    lot: str | None = None
    mass_g: float | None = None
    layup: str | None = None
    resin_c: float | None = None


@dataclass(frozen=True, slots=True)
class Filled:
    """A batch with its gaps filled, and in words from where."""

    batch: Batch
    remark: str


def mark_of(word: str) -> Mark:
    """Return the mark that a word begins: ``g`` is gel, ``t`` tack-free, ``w`` wet from dew.

    Raises
    ------
    InputError
        If it begins none, or several.

    >>> mark_of("g").value, mark_of("gr").value, mark_of("dew").value
    ('gel', 'ground', 'wet from dew')
    """
    short = word.strip().lower()
    aliases = {"g": Mark.GEL, "dew": Mark.DEW, "ply": Mark.NEXT_PLY, "sandable": Mark.GROUND}
    if short in aliases:
        return aliases[short]
    found = [mark for mark in Mark if short and mark.value.startswith(short)]
    if len(found) != 1:
        names = ", ".join(mark.value for mark in found or Mark)
        raise InputError(f"{word!r} begins {'several marks' if found else 'no mark'}: {names}")
    return found[0]


def cure_and_rest(book: Book, words: Sequence[str]) -> tuple[Cure, list[str]]:
    """Return the cure that some words name, and the other words; the only live one where none does.

    Raises
    ------
    InputError
        If no word names a cure and not just one is live.
    """
    for i, word in enumerate(words):
        if word.lower() in book.cures:
            return book.cure(word), [*words[:i], *words[i + 1 :]]
    if len(book.live) == 1:
        return book.live[0], list(words)
    if not book.live:
        raise InputError(
            "no cure is live; 'layday cure start' begins one, 'layday cure list --all' shows the old ones"
        )
    names = ", ".join(f"{cure.key} ({cure.batch.part}, {cure.batch.bay})" for cure in book.live)
    raise InputError(f"which cure? live are {names}; write its name")


def filled(given: Given, book: Book, bays: Sequence[str]) -> Filled:
    """Fill in what was not typed from the last batch of the bay, or of the shed.

    Raises
    ------
    InputError
        If the bay is unknown, or something is missing that nothing says.
    """
    bay = _bay(given.bay, book, bays)
    last = _last(book, bay)
    card = _absolute(given.card) if given.card is not None else (last.batch.card if last else None)
    if card is None:
        raise InputError("--card: which resin? name a card's key or file; 'layday resin list' shows them")
    same = last is not None and last.batch.card == card
    batch = Batch(
        bay=bay,
        part=_or(given.part, last.batch.part if last and last.batch.bay == bay else None, "part", "PART"),
        card=card,
        catalyst_pct=_or(
            given.catalyst_pct, last.batch.catalyst_pct if last and same else None, "percentage", "--percent"
        ),
        lot=given.lot if given.lot is not None else (last.batch.lot if last and same else ""),
        mass_g=given.mass_g,
        layup=given.layup or "",
        resin_c=given.resin_c,
    )
    return Filled(batch, _remark(given, batch, last))


def corrected(batch: Batch, given: Given) -> Batch:
    """Return a batch with what was typed in place of what it had."""
    typed = {name: value for name in Given.__slots__ if (value := getattr(given, name)) is not None}
    if given.card is not None:
        typed["card"] = _absolute(given.card)
    return Batch(**({name: getattr(batch, name) for name in Batch.__slots__} | typed))


def _bay(given: str | None, book: Book, bays: Sequence[str]) -> str:
    if given is None:
        if len(bays) == 1:
            return bays[0]
        raise InputError(f"which bay? there are {', '.join(bays) or 'none yet'}; write its name")
    short = given.lower()
    told = {cure.batch.bay for cure in book.cures.values()}
    found = [bay for bay in bays if bay.startswith(short)]
    if short in bays or short in told or not bays:
        return short
    if len(found) == 1:
        return found[0]
    near = did_you_mean(given, bays)
    raise InputError(f"no bay is called {given!r}; there are {', '.join(bays)}{near}")


def _last(book: Book, bay: str) -> Cure | None:
    every = list(book.cures.values())
    there = [cure for cure in every if cure.batch.bay == bay]
    return next(reversed(there or every), None)


def _or(given: _T | None, last: _T | None, what: str, option: str) -> _T:
    value = given if given is not None else last
    if value is None:
        raise InputError(f"{option}: which {what}? no earlier cure says")
    return value


def _absolute(card: str) -> str:
    """Name a card's file so that it is found again from wherever the next command is typed."""
    return str(Path(card).expanduser().absolute()) if card.endswith(_SUFFIX) else card


def _remark(given: Given, batch: Batch, last: Cure | None) -> str:
    taken = [
        words
        for typed, words in (
            (given.part, batch.part),
            (given.card, batch.card),
            (given.catalyst_pct, f"{batch.catalyst_pct:g} %"),
            (given.lot, batch.lot and f"lot {batch.lot}"),
        )
        if typed is None and words
    ]
    return f"taken over from {last.key}: {', '.join(taken)}" if last and taken else ""
