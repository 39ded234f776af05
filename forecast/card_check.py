"""What a well-formed card lacks, or says that is hard to believe or contradicts itself.

A card that loads can still have a typing mistake in it: numbers in the wrong column show
as a chemistry that no resin has.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

import numpy as np

from forecast._arrhenius import inverse_temperature
from forecast.card import Card, Family, GelCell, Stage
from forecast.resin import gel_surface, recoat_surfaces, stage_surface

# Published gel and hardening tables, cell by cell, lie within.
_ENERGY_KJ_MOL = (30.0, 90.0)
_EXPONENT = (0.5, 1.5)
# A printed time of one or two figures may be off by this much, up or down.
_ROUNDING = 0.1
_MIN_PER_H = 60.0
_FAHRENHEIT_LIKELY_C = 45.0
# Peroxides are dosed by the percent, amines by the tens of percent.
_PEROXIDE_MAX_PCT, _AMINE_MIN_PCT = 5.0, 5.0


class Kind(StrEnum):
    """What is the matter."""

    MISSING = "missing"
    IMPLAUSIBLE = "implausible"
    CONTRADICTORY = "contradictory"


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to look at again in a card: its key in the file, what kind of matter, and words."""

    key: str
    kind: Kind
    words: str

    def __str__(self) -> str:
        return f"{self.key}: {self.kind}: {self.words}"


def check_card(card: Card) -> list[Remark]:
    """Return what is missing in a card, implausible or contradictory, in the order of the file.

    >>> from forecast.card_files import find_card
    >>> check_card(find_card("generic-polyester"))
    []
    """
    return [
        *_doses(card),
        *_gel_energies(card),
        *_gel_exponents(card),
        *_gaps(card),
        *_stage_energies(card),
        *_stage_order(card),
        *_recoat(card),
        *_application(card),
    ]


def _doses(card: Card) -> Iterator[Remark]:
    peroxide = card.family is not Family.EPOXY
    if peroxide and card.catalyst_max_pct > _PEROXIDE_MAX_PCT:
        yield Remark(
            "hardener.max_pct",
            Kind.IMPLAUSIBLE,
            f"{card.catalyst_max_pct:g} % is a lot of peroxide for a {card.family}",
        )
    if not peroxide and card.catalyst_min_pct < _AMINE_MIN_PCT:
        yield Remark(
            "hardener.min_pct",
            Kind.IMPLAUSIBLE,
            f"{card.catalyst_min_pct:g} % is little hardener for an epoxy",
        )
    if not peroxide and card.catalyst_min_pct < card.catalyst_max_pct:
        yield Remark(
            "hardener.max_pct",
            Kind.IMPLAUSIBLE,
            "an epoxy's ratio is fixed, more hardener cures it no quicker: give min_pct and max_pct alike",
        )


def _slope_range(cold: GelCell, warm: GelCell) -> tuple[float, float]:
    """How much ln time may differ between two cells, given what was rounded and printed as a range."""
    least = np.log(cold.low_min / warm.high_min)
    most = np.log(cold.high_min / warm.low_min)
    return float(least) - _ROUNDING, float(most) + _ROUNDING


def _u_between(cold_c: float, warm_c: float) -> float:
    ends = inverse_temperature(np.array([cold_c, warm_c]))
    return float(ends[0] - ends[1])


def _gel_energies(card: Card) -> Iterator[Remark]:
    for cold, warm in _neighbours(card.gel, along="temp_c", across="catalyst_pct"):
        apart = _u_between(cold.temp_c, warm.temp_c)
        least, most = (x / apart for x in _slope_range(cold, warm))
        if most < _ENERGY_KJ_MOL[0] or least > _ENERGY_KJ_MOL[1]:
            energy = np.log(cold.low_min * cold.high_min / (warm.low_min * warm.high_min)) / 2 / apart
            yield Remark(
                "gel.cells",
                Kind.IMPLAUSIBLE,
                f"from {cold.temp_c:g} to {warm.temp_c:g} °C at {cold.catalyst_pct:g} % the times imply "
                f"{energy:.0f} kJ/mol; resins have 30 to 90",
            )


def _gel_exponents(card: Card) -> Iterator[Remark]:
    for lean, rich in _neighbours(card.gel, along="catalyst_pct", across="temp_c"):
        apart = float(np.log(rich.catalyst_pct / lean.catalyst_pct))
        least, most = (x / apart for x in _slope_range(lean, rich))
        if most < _EXPONENT[0] or least > _EXPONENT[1]:
            exponent = np.log(lean.low_min * lean.high_min / (rich.low_min * rich.high_min)) / 2 / apart
            yield Remark(
                "gel.cells",
                Kind.IMPLAUSIBLE,
                f"from {lean.catalyst_pct:g} to {rich.catalyst_pct:g} % at {lean.temp_c:g} °C the times go "
                f"with the power {exponent:.2f} of the catalyst; resins have 0.5 to 1.5",
            )


def _neighbours(cells: Sequence[GelCell], along: str, across: str) -> Iterator[tuple[GelCell, GelCell]]:
    """Yield pairs next to each other along one axis of the table, the other being equal."""
    rows: dict[float, list[GelCell]] = {}
    for cell in cells:
        rows.setdefault(getattr(cell, across), []).append(cell)
    for row in rows.values():
        yield from pairwise(sorted(row, key=lambda cell: float(getattr(cell, along))))


def _gaps(card: Card) -> Iterator[Remark]:
    if len(card.gel) == 1:
        yield Remark(
            "gel.cells", Kind.MISSING, "one cell only: how temperature tells is guessed from other resins"
        )
    if all(cell.cup_g is None for cell in card.gel):
        yield Remark("gel.cup_g", Kind.MISSING, "how much was in the cup: a larger pot gels sooner")
    there = {table.stage for table in card.stages}
    for stage in (Stage.TACK_FREE, Stage.SANDABLE, Stage.HANDLING, Stage.FULL):
        if stage not in there:
            yield Remark(f"stage.{stage}", Kind.MISSING, f"without hours to {stage} nothing is said about it")
    if card.recoat is None:
        yield Remark("recoat", Kind.MISSING, "without a window nothing is said about the next ply")
    if card.shelf_life_months is None:
        yield Remark("shelf_life_months", Kind.MISSING, "without it no drum is called too old")


def _stage_energies(card: Card) -> Iterator[Remark]:
    for table in card.stages:
        if min(table.temps_c) > _FAHRENHEIT_LIKELY_C:
            yield Remark(
                f"stage.{table.stage}.temps_c",
                Kind.IMPLAUSIBLE,
                f"all above {_FAHRENHEIT_LIKELY_C:g} °C: were they °F?",
            )
        if len(table.temps_c) < 2:  # noqa: PLR2004  a slope needs two
            continue
        apart = _u_between(table.temps_c[0], table.temps_c[-1])
        energy = float(np.log(table.times_h[0] / table.times_h[-1])) / apart
        slack = 2 * _ROUNDING / apart
        if not _ENERGY_KJ_MOL[0] - slack <= energy <= _ENERGY_KJ_MOL[1] + slack:
            yield Remark(
                f"stage.{table.stage}.times_h",
                Kind.IMPLAUSIBLE,
                f"from {table.temps_c[0]:g} to {table.temps_c[-1]:g} °C the hours imply {energy:.0f} kJ/mol; "
                "resins have 30 to 90",
            )


def _stage_order(card: Card) -> Iterator[Remark]:
    """Compare the stages at every temperature that is printed for both."""
    pct = _middle_pct(card)
    gel = gel_surface(card)
    stages = [(table.stage, table.temps_c, stage_surface(table)) for table in card.stages]
    for later, temps_c, surface in stages[:1]:
        for temp_c in temps_c:
            gels, hours = gel.minutes(temp_c, pct), surface.likely_min(temp_c) / _MIN_PER_H
            if gels.low_min / _MIN_PER_H > hours:
                yield Remark(
                    f"stage.{later}.times_h",
                    Kind.CONTRADICTORY,
                    f"at {temp_c:g} °C it is {later} ({hours:.1f} h) before it gels "
                    f"({gels.likely_min:.0f} min at {pct:g} %)",
                )
    for (earlier, early_c, first), (later, late_c, second) in pairwise(stages):
        for temp_c in sorted({*early_c, *late_c}):
            inside = not (first.minutes(temp_c).outside or second.minutes(temp_c).outside)
            before, after = first.likely_min(temp_c) / _MIN_PER_H, second.likely_min(temp_c) / _MIN_PER_H
            if inside and before > after * (1 + _ROUNDING / 10):
                yield Remark(
                    f"stage.{later}.times_h",
                    Kind.CONTRADICTORY,
                    f"at {temp_c:g} °C it is {later} ({after:.1f} h) before it is {earlier} ({before:.1f} h)",
                )


def _recoat(card: Card) -> Iterator[Remark]:
    if card.recoat is None:
        return
    _, closes = recoat_surfaces(card.recoat)
    gel, pct = gel_surface(card), _middle_pct(card)
    for temp_c in card.recoat.temps_c:
        end_min, gels = closes.likely_min(temp_c), gel.minutes(temp_c, pct)
        if end_min < gels.low_min:
            yield Remark(
                "recoat.to_h",
                Kind.CONTRADICTORY,
                f"at {temp_c:g} °C the window closes ({end_min:.0f} min) before the resin gels "
                f"({gels.likely_min:.0f} min at {pct:g} %)",
            )


def _application(card: Card) -> Iterator[Remark]:
    """Temperatures the sheet allows but prints no times for."""
    low, high = card.application.temp_min_c, card.application.temp_max_c
    tables = {"gel.cells": [cell.temp_c for cell in card.gel]}
    tables |= {f"stage.{table.stage}.temps_c": list(table.temps_c) for table in card.stages}
    if all(max(temps) < low or min(temps) > high for temps in tables.values()):
        yield Remark(
            "application.temp_min_c",
            Kind.CONTRADICTORY,
            f"{low:g} to {high:g} °C is outside all tables of the card",
        )
        return
    coldest, warmest = min(tables["gel.cells"]), max(tables["gel.cells"])
    if low < coldest - 5.0 or high > warmest + 5.0:
        yield Remark(
            "gel.cells",
            Kind.MISSING,
            f"the resin may be used from {low:g} to {high:g} °C, but gel times are from {coldest:g} to "
            f"{warmest:g} °C: the rest is extrapolated",
        )


def _middle_pct(card: Card) -> float:
    return float(np.sqrt(card.catalyst_min_pct * card.catalyst_max_pct))
