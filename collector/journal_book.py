"""What the journal's entries come to: cures with their marks and notes, and cup tests."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Any

from collector.errors import InputError
from collector.nearest import did_you_mean


class Mark(StrEnum):
    """What people see of a cure."""

    GEL = "gel"
    TACK_FREE = "tack-free"
    NEXT_PLY = "next ply"
    GROUND = "ground"
    RELEASED = "released"
    HARD = "hard"
    DEW = "wet from dew"


@dataclass(frozen=True, slots=True)
class Batch:
    """A mixed batch as it was told when laid.

    `card` is a card's key or file, `catalyst_pct` the hardener in parts per hundred of resin,
    `mass_g` the batch with hardener [g], `resin_c` the resin's temperature when mixed [°C].
    `ready_stage` is the stage wanted by `ready_by`; empty and None where nobody said.
    """

    bay: str
    part: str
    card: str
    catalyst_pct: float
    lot: str = ""
    mass_g: float | None = None
    layup: str = ""
    resin_c: float | None = None
    mixed_at: datetime | None = None
    ready_stage: str = ""
    ready_by: datetime | None = None


@dataclass(frozen=True, slots=True)
class Cup:
    """A cup test: minutes from stirring to gel [min] at a temperature [°C]; `mass_g` in the cup [g]."""

    card: str
    lot: str
    catalyst_pct: float
    temp_c: float
    time_min: float
    mass_g: float | None = None
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry: its number, the moment it tells of, the moment of entry, and its fields."""

    number: int
    at: datetime
    entered_at: datetime
    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Cure:
    """A cure as its entries have it; `marks` holds the last moment told for each."""

    key: str
    batch: Batch
    laid_at: datetime
    marks: Mapping[Mark, datetime] = field(default_factory=lambda: MappingProxyType({}))
    notes: tuple[tuple[datetime, str], ...] = ()
    ended_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Book:
    """All that stands in the journal: cures in the order they were entered, cups, and the entries.

    `cure_count` counts cures ever entered, those taken back too, so that no name comes twice.
    """

    cures: Mapping[str, Cure]
    cups: tuple[Cup, ...]
    entries: tuple[Entry, ...]
    cure_count: int

    @property
    def live(self) -> tuple[Cure, ...]:
        """The cures that have not ended."""
        return tuple(cure for cure in self.cures.values() if cure.ended_at is None)

    def cure(self, key: str) -> Cure:
        """Return a cure by its name, in any case of letters.

        Raises
        ------
        InputError
            If none is called so.
        """
        found = self.cures.get(key.lower())
        if found is None:
            names = ", ".join(cure.key for cure in self.live) or "none"
            raise InputError(f"no cure is called {key!r}; live are: {names}{did_you_mean(key, self.cures)}")
        return found


EMPTY = Book(MappingProxyType({}), (), (), 0)
"""A journal that nobody has begun."""


def fold(entries: Iterable[Entry]) -> Book:
    """Work out what entries, in order of their numbers, come to."""
    every = tuple(entries)
    gone = _taken_back(every)
    standing = tuple(e for e in every if e.number not in gone and e.fields["kind"] != "take back")
    cures: dict[str, Cure] = {}
    cups: list[Cup] = []
    for entry in standing:
        if entry.fields["kind"] == "cup":
            cups.append(_cup(entry))
        elif entry.fields["kind"] == "start":
            cures[entry.fields["cure"]] = Cure(entry.fields["cure"], _batch(entry.fields), entry.at)
        elif entry.fields["cure"] in cures:  # else its start was taken back
            cures[entry.fields["cure"]] = _with(cures[entry.fields["cure"]], entry)
    count = sum(entry.fields["kind"] == "start" for entry in every)
    return Book(MappingProxyType(cures), tuple(cups), standing, count)


def _taken_back(entries: tuple[Entry, ...]) -> set[int]:
    return {int(e.fields["entry"]) for e in entries if e.fields["kind"] == "take back"}


def _with(cure: Cure, entry: Entry) -> Cure:
    fields = entry.fields
    if fields["kind"] == "fix":
        return replace(cure, batch=_batch(fields), laid_at=entry.at)
    if fields["kind"] == "mark":
        return replace(cure, marks=MappingProxyType({**cure.marks, Mark(fields["what"]): entry.at}))
    if fields["kind"] == "note":
        return replace(cure, notes=(*cure.notes, (entry.at, fields["words"])))
    return replace(cure, ended_at=entry.at)


def _batch(fields: Mapping[str, Any]) -> Batch:
    mixed, ready_by = fields["mixed_at"], fields.get("ready_by")
    return Batch(
        bay=fields["bay"],
        part=fields["part"],
        card=fields["card"],
        catalyst_pct=fields["catalyst_pct"],
        lot=fields["lot"],
        mass_g=fields["mass_g"],
        layup=fields["layup"],
        resin_c=fields["resin_c"],
        mixed_at=None if mixed is None else datetime.fromisoformat(mixed),
        # entries of an earlier layday know no hour wanted
        ready_stage=fields.get("ready_stage", ""),
        ready_by=None if ready_by is None else datetime.fromisoformat(ready_by),
    )


def _cup(entry: Entry) -> Cup:
    fields = entry.fields
    return Cup(
        card=fields["card"],
        lot=fields["lot"],
        catalyst_pct=fields["catalyst_pct"],
        temp_c=fields["temp_c"],
        time_min=fields["time_min"],
        mass_g=fields["mass_g"],
        at=entry.at,
    )
