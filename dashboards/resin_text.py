"""A resin card as text: the TOML that `layday resin new` writes, and what `layday resin show` prints."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from dashboards.view import Reader
from forecast.card import Card, Family, GelCell, Stage


@dataclass(slots=True)
class Draft:
    """A card in the making: answers so far, numbers by their key in the file."""

    name: str
    source: str
    family: Family
    kind: str
    by: str
    least_pct: float
    most_pct: float
    numbers: dict[str, float] = field(default_factory=dict)
    guessed: dict[str, str] = field(default_factory=dict)
    gel: Sequence[tuple[float, float, float, float]] = ()
    stages: dict[Stage, Sequence[tuple[float, float]]] = field(default_factory=dict)
    recoat: Sequence[tuple[float, float, float]] = ()


def draft_toml(draft: Draft) -> str:
    """Return a draft as the text of a card file."""
    return "\n".join(_toml_lines(draft)) + "\n"


def _toml_lines(draft: Draft) -> Iterator[str]:
    yield "# The resin maker's data sheet and local rules decide; check every number against the sheet."
    yield f"name = {_quoted(draft.name)}"
    yield f"family = {_quoted(draft.family)}"
    yield f"source = {_quoted(draft.source)}  # of every number below, unless [sources] names another"
    yield ""
    yield from _numbers(draft, "")
    yield from ("", "[hardener]", f"kind = {_quoted(draft.kind)}", f"by = {_quoted(draft.by)}")
    yield f"min_pct = {_number(draft.least_pct)}"
    yield f"max_pct = {_number(draft.most_pct)}"
    yield from _numbers(draft, "hardener.")
    yield from ("", "[application]", *_numbers(draft, "application."))
    yield from ("", "[gel]", *_numbers(draft, "gel."), "cells = [")
    for temp_c, pct, low, high in sorted(draft.gel):
        times = (
            f"time_min = {_number(low)}"
            if low == high
            else f"low_min = {_number(low)}, high_min = {_number(high)}"
        )
        yield f"  {{ temp_c = {_number(temp_c)}, catalyst_pct = {_number(pct)}, {times} }},"
    yield "]"
    for stage, rows in draft.stages.items():
        yield from ("", f"[stage.{stage}]", *_columns(("temps_c", "times_h"), rows))
    if draft.recoat:
        yield from ("", "[recoat]", *_columns(("temps_c", "from_h", "to_h"), draft.recoat))
    if draft.guessed:
        yield from ("", "[sources]")
        yield from (f"{_quoted(key)} = {_quoted(words)}" for key, words in draft.guessed.items())


def _numbers(draft: Draft, prefix: str) -> Iterator[str]:
    for key, value in draft.numbers.items():
        table, _, name = key.rpartition(".")
        if (f"{table}." if table else "") == prefix:
            yield f"{name} = {_number(value)}"


def _columns(names: Sequence[str], rows: Sequence[tuple[float, ...]]) -> Iterator[str]:
    for name, column in zip(names, zip(*sorted(rows), strict=True), strict=True):
        yield f"{name} = [{', '.join(map(_number, column))}]"


def _number(value: float) -> str:
    return f"{value:.6g}"


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string, DEL apart.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def card_lines(card: Card, reader: Reader) -> Iterator[str]:
    """Yield a card in words, temperatures in the reader's unit."""
    yield f"{card.name} ({card.key}): {card.family}" + (
        ", generic: of no maker, never for a boat" if card.generic else ""
    )
    hardener, use = card.hardener, card.application
    dose = f"{card.catalyst_min_pct:g} to {card.catalyst_max_pct:g} %"
    if card.catalyst_min_pct == card.catalyst_max_pct:
        dose = f"{card.catalyst_max_pct:g} %"
    yield f"Hardener      {hardener.kind}, {dose} by {hardener.by}, {hardener.density_g_ml:g} g/mL"
    yield f"Resin         {card.density_g_ml:g} g/mL, {card.heat_of_reaction_j_g:g} J/g" + (
        "" if card.shelf_life_months is None else f", keeps {card.shelf_life_months:g} months"
    )
    yield (
        f"Laminate at   {reader.temperature(use.temp_min_c)} to {reader.temperature(use.temp_max_c)}, "
        f"up to {use.humidity_max_pct:g} %, part {reader.difference(use.margin_min_k)} above the dew point"
    )
    yield (
        f"Counted       degree-hours from {reader.temperature(card.base_c)}, "
        f"equivalent hours at {reader.temperature(card.reference_c)}"
    )
    yield "Gel"
    for cell in card.gel:
        minutes = f"{cell.low_min:g}" + ("" if cell.low_min == cell.high_min else f" to {cell.high_min:g}")
        yield f"  {reader.temperature(cell.temp_c):>9}  {cell.catalyst_pct:>5g} %  {minutes} min"
    for table in card.stages:
        yield f"{str(table.stage).capitalize()}, from mixing"
        for temp_c, time_h in zip(table.temps_c, table.times_h, strict=True):
            yield f"  {reader.temperature(temp_c):>9}  {time_h:g} h"
    if card.recoat is not None:
        yield "Next ply, from mixing"
        rows = zip(card.recoat.temps_c, card.recoat.from_h, card.recoat.to_h, strict=True)
        yield from (f"  {reader.temperature(t):>9}  {opens:g} to {closes:g} h" for t, opens, closes in rows)
    yield "Sources"
    by_words: dict[str, list[str]] = {}
    for key, words in card.sources.items():
        by_words.setdefault(words, []).append(key)
    for words, keys in by_words.items():
        yield f"  {words}: {'every number' if len(by_words) == 1 else ', '.join(keys)}"


def card_sentences(card: Card, reader: Reader) -> Iterator[str]:
    """Yield the same, each line a sentence that says which table it is of."""
    head = ""
    for line in card_lines(card, reader):
        cells = [cell for cell in line.strip().split("  ") if cell]
        if line.startswith(" "):
            yield f"{head}: {': '.join(cell.strip() for cell in cells)}."
        elif len(cells) > 1:
            yield f"{cells[0]}: {cells[1].strip()}."
        else:
            head = line
            if ":" in line:
                yield f"{line}."


def card_json(card: Card) -> dict[str, object]:
    """Return ``layday/resin/1``."""
    return {
        "schema": "layday/resin/1",
        "key": card.key,
        "name": card.name,
        "family": card.family.value,
        "generic": card.generic,
        "density_g_ml": card.density_g_ml,
        "heat_of_reaction_j_g": card.heat_of_reaction_j_g,
        "shelf_life_months": card.shelf_life_months,
        "base_c": card.base_c,
        "reference_c": card.reference_c,
        "hardener": {
            "kind": card.hardener.kind,
            "density_g_ml": card.hardener.density_g_ml,
            "by": card.hardener.by,
            "min_pct": card.catalyst_min_pct,
            "max_pct": card.catalyst_max_pct,
        },
        "application": {
            "temp_min_c": card.application.temp_min_c,
            "temp_max_c": card.application.temp_max_c,
            "humidity_max_pct": card.application.humidity_max_pct,
            "margin_min_k": card.application.margin_min_k,
        },
        "gel": [_cell_json(cell) for cell in card.gel],
        "stages": {
            table.stage.value: {"temps_c": table.temps_c, "times_h": table.times_h} for table in card.stages
        },
        "recoat": None
        if card.recoat is None
        else {"temps_c": card.recoat.temps_c, "from_h": card.recoat.from_h, "to_h": card.recoat.to_h},
        "sources": dict(card.sources),
    }


def _cell_json(cell: GelCell) -> dict[str, object]:
    return {
        "temp_c": cell.temp_c,
        "catalyst_pct": cell.catalyst_pct,
        "low_min": cell.low_min,
        "high_min": cell.high_min,
        "cup_g": cell.cup_g,
    }
