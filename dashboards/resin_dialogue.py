"""`layday resin new`: through a data sheet, question by question, to the text of a card.

Nothing here reads a keyboard or writes a file: the questions go through `ask`, what was wrong
with an answer through `say`, and the card comes back as text. A wrong answer is asked again.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from collector.errors import InputError
from collector.units import (
    MIN_PER_H,
    PCT,
    parse_difference_k,
    parse_duration_min,
    parse_mass_g,
    parse_percent,
    parse_temperature_c,
)
from dashboards.resin_text import Draft, draft_toml
from forecast import card_files as files
from forecast._card_table import Bound
from forecast.card import Family, Stage
from forecast.time_surface import Cells

Ask = Callable[[str], str]
Say = Callable[[str], None]
_T = TypeVar("_T")

GUESSED = "typical of the trade, no single source: the sheet does not say"
# Where a sheet is silent. Typical of the trade, no single source.
_TYPICAL_HEAT_J_G = {Family.VINYL_ESTER: 350.0, Family.POLYESTER: 330.0, Family.EPOXY: 450.0}
_TYPICAL_DENSITY_G_ML = {Family.VINYL_ESTER: 1.05, Family.POLYESTER: 1.1, Family.EPOXY: 1.15}
_TYPICAL_BASE_C, _TYPICAL_REFERENCE_C, _TYPICAL_MARGIN_K = 5.0, 20.0, 3.0
_RANGE = re.compile(r"(.+?)\s*(?:-|\u2013|to)\s*(.+)")
_RATIO = re.compile(r"(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)")


def ask_for_card(ask: Ask, say: Say) -> str:
    """Return the text of a card, from answers off a data sheet.

    Parameters
    ----------
    ask : callable
        Puts a question and returns the answer, empty if there is none.
    say : callable
        Shows what was wrong with an answer before the question is put again.
    """
    return draft_toml(_Dialogue(ask, say).draft())


@dataclass(frozen=True, slots=True)
class _Dialogue:
    ask: Ask
    say: Say

    def draft(self) -> Draft:
        """Ask for everything, in the order in which sheets print it."""
        name = self._text("Name of resin and hardener, as on the drum")
        source = self._text("Name and date of the data sheet")
        family = self._answer(f"Family ({', '.join(Family)})", _family)
        unit = self._answer("Does the sheet give temperatures in C or F?", _degree)
        kind = self._text("Hardener, as in MEKP or slow amine")
        by = self._answer("Is its percentage of weight or of volume? [weight]", _weight_or_volume)
        least = self._answer("Least hardener, % of resin (or 3:1)", _percent)
        most = self._answer("Most hardener, % of resin; empty if the ratio is fixed", _or(least, _percent))
        while most < least:
            self.say(f"{most:g} % is less than the least, {least:g} %")
            most = self._answer("Most hardener, % of resin", _percent)
        draft = Draft(
            name=name, source=source, family=family, kind=kind, by=by, least_pct=least, most_pct=most
        )
        self._numbers(draft, unit)
        self._application(draft, unit)
        self._gel(draft, unit)
        self._stages(draft, unit)
        self._reference(draft, unit)
        self._recoat(draft, unit)
        return draft

    def _numbers(self, draft: Draft, unit: str) -> None:
        self._scalar(draft, "hardener.density_g_ml", "Density of the hardener, g/mL", _plain, files.DENSITY)
        self._scalar(
            draft,
            "density_g_ml",
            "Density of the resin, g/mL",
            _plain,
            files.DENSITY,
            (_TYPICAL_DENSITY_G_ML[draft.family], "g/mL"),
        )
        self._scalar(
            draft,
            "heat_of_reaction_j_g",
            "Heat of reaction, J/g",
            _plain,
            files.HEAT,
            (_TYPICAL_HEAT_J_G[draft.family], "J/g"),
        )
        months = self._answer(
            "Shelf life in months; empty if the sheet is silent", _or(None, _within(_plain, files.SHELF_LIFE))
        )
        if months is not None:
            draft.numbers["shelf_life_months"] = months
        where = _temperature(unit)
        self._scalar(
            draft,
            "base_c",
            f"Degree-hours: warmth counts above which °{unit}",
            where,
            files.BASE,
            (_TYPICAL_BASE_C, "°C"),
        )

    def _application(self, draft: Draft, unit: str) -> None:
        where = _temperature(unit)
        coldest = self._answer(f"Coldest to laminate at, °{unit}", _within(where, files.TEMPERATURE))
        warmest = self._answer(f"Warmest to laminate at, °{unit}", _within(where, files.TEMPERATURE))
        while warmest <= coldest:
            self.say("the warmest must be above the coldest")
            warmest = self._answer(f"Warmest to laminate at, °{unit}", _within(where, files.TEMPERATURE))
        draft.numbers["application.temp_min_c"] = coldest
        draft.numbers["application.temp_max_c"] = warmest
        self._scalar(
            draft,
            "application.humidity_max_pct",
            "Most humid to laminate at, %",
            parse_percent,
            files.HUMIDITY,
        )
        self._scalar(
            draft,
            "application.margin_min_k",
            "Least margin of the part over the dew point, as in 3C or 5F",
            lambda text: parse_difference_k(text, default=unit),
            files.MARGIN,
            (_TYPICAL_MARGIN_K, "°C"),
        )

    def _gel(self, draft: Draft, unit: str) -> None:
        cup = self._answer(
            "Mass in the cup of the gel-time test, as in 100g; empty if the sheet is silent",
            _or(None, _within(lambda text: parse_mass_g(text, default="g"), files.CUP)),
        )
        if cup is not None:
            draft.numbers["gel.cup_g"] = cup
        fixed = draft.least_pct == draft.most_pct
        example = f"{_warm(unit)}, 20-25min" if fixed else f"{_warm(unit)}, 1.25%, 20-25min"

        def cell(text: str) -> tuple[float, float, float, float]:
            parts = _parts(text, 2 if fixed else 3, example)
            pct = draft.least_pct if fixed else _percent(parts[1])
            if not draft.least_pct <= pct <= draft.most_pct:
                raise InputError(f"{pct:g} % is beyond {draft.least_pct:g} to {draft.most_pct:g} %")
            low, high = _range_min(parts[-1])
            return _within(_temperature(unit), files.TEMPERATURE)(parts[0]), pct, low, high

        draft.gel = self._rows("Gel time", example, cell, _gel_problems, least=1)

    def _stages(self, draft: Draft, unit: str) -> None:
        example = f"{_warm(unit)}, 8h"

        def row(text: str) -> tuple[float, float]:
            temp, hours = _parts(text, 2, example)
            return _within(_temperature(unit), files.CURE_TEMPERATURE)(temp), _hours(hours)

        for stage in files.STAGES:
            rows = self._rows(f"Hours from mixing to {stage}", example, row, _stage_problems)
            if rows:
                draft.stages[Stage(stage)] = rows

    def _reference(self, draft: Draft, unit: str) -> None:
        """Ask where equivalent hours are told, no colder than the sheet has times for."""
        tables = [
            [row[0] for row in draft.gel],
            *([row[0] for row in rows] for rows in draft.stages.values()),
        ]
        lowest_c = files.lowest_reference_c(draft.numbers["application.temp_min_c"], tables)
        self._scalar(
            draft,
            "reference_c",
            f"Equivalent hours are told at which °{unit}",
            _temperature(unit),
            Bound(lowest_c, files.TEMPERATURE.high, "°C; the sheet has no times for colder"),
            (max(lowest_c, _TYPICAL_REFERENCE_C), "°C"),
        )

    def _recoat(self, draft: Draft, unit: str) -> None:
        example = f"{_warm(unit)}, 2h, 24h"

        def row(text: str) -> tuple[float, float, float]:
            temp, opens, closes = _parts(text, 3, example)
            from_h, to_h = _hours(opens), _hours(closes)
            if from_h >= to_h:
                raise InputError("the window must open before it closes")
            return _within(_temperature(unit), files.CURE_TEMPERATURE)(temp), from_h, to_h

        draft.recoat = self._rows("Recoat window, from and to", example, row, _recoat_problems)

    def _scalar(
        self,
        draft: Draft,
        key: str,
        question: str,
        parse: Callable[[str], float],
        bound: Bound,
        typical: tuple[float, str] | None = None,
    ) -> None:
        """Ask for one number; where the sheet is silent a typical one stands, and its source says so."""
        checked = _within(parse, bound)
        if typical is None:
            draft.numbers[key] = self._answer(question, checked)
            return
        usual, unit = typical
        silent = f"empty if the sheet is silent (usual: {usual:g} {unit})"
        given = self._answer(f"{question}; {silent}", _or(None, checked))
        draft.numbers[key] = usual if given is None else given
        if given is None:
            draft.guessed[key] = GUESSED

    def _rows(
        self,
        what: str,
        example: str,
        parse: Callable[[str], _T],
        problems: Callable[[Sequence[_T]], Sequence[str]],
        least: int = 0,
    ) -> list[_T]:
        """Ask for a table row by row until an empty answer; a table that cannot be is asked anew."""
        while True:
            rows: list[_T] = []
            question = f"{what}, as in {example}; empty to end"
            while (row := self._answer(question, _or(None, parse))) is not None:
                rows.append(row)
            found = list(problems(rows)) if rows else []
            if len(rows) < least:
                found.append(f"at least {least} row is needed")
            if not found:
                return rows
            for problem in found:
                self.say(f"{problem}; give the whole table again")

    def _text(self, question: str) -> str:
        return self._answer(question, _some_text)

    def _answer(self, question: str, parse: Callable[[str], _T]) -> _T:
        while True:
            try:
                return parse(self.ask(question).strip())
            except InputError as error:
                self.say(str(error))


def _some_text(text: str) -> str:
    if not text:
        raise InputError("something must stand here")
    return text


def _family(text: str) -> Family:
    found = [family for family in Family if text and family.value.startswith(text.lower())]
    if len(found) != 1:
        raise InputError(f"{text!r} is none of {', '.join(Family)}")
    return found[0]


def _degree(text: str) -> str:
    unit = text.upper().removeprefix("°")
    if unit not in {"C", "F"}:
        raise InputError(f"{text!r} is neither C nor F")
    return unit


def _warm(unit: str) -> str:
    """Write a warm day's temperature as the sheet does, for examples."""
    return "25C" if unit == "C" else "77F"


def _weight_or_volume(text: str) -> str:
    found = [word for word in ("weight", "volume") if word.startswith(text.lower())]
    if not found:
        raise InputError(f"{text!r} is neither weight nor volume")
    return found[0]


def _plain(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{text!r} is no number; write it without a unit and with a point") from None


def _percent(text: str) -> float:
    """Read a percentage, or parts of resin to hardener, as epoxies are sold."""
    if ratio := _RATIO.fullmatch(text):
        resin, hardener = float(ratio[1]), float(ratio[2])
        if resin == 0.0:
            raise InputError(f"{text!r} has no resin in it")
        return _within(lambda _: PCT * hardener / resin, files.PERCENT)(text)
    return _within(parse_percent, files.PERCENT)(text)


def _temperature(unit: str) -> Callable[[str], float]:
    return lambda text: round(parse_temperature_c(text, default=unit), 2)


def _hours(text: str) -> float:
    return _within(lambda words: parse_duration_min(words, default="h") / MIN_PER_H, files.HOURS)(text)


def _range_min(text: str) -> tuple[float, float]:
    """Read a duration or a range of them; the unit of the end holds for the beginning too."""

    def minutes(words: str) -> float:
        return _within(lambda w: parse_duration_min(w, default="min"), files.MINUTES)(words)

    both = _RANGE.fullmatch(text)
    if both is None:
        return minutes(text), minutes(text)
    low, high = both[1], both[2]
    unit = high.lstrip("0123456789. ")
    ends = minutes(low + unit if re.fullmatch(r"[\d.]+", low) else low), minutes(high)
    if ends[0] > ends[1]:
        raise InputError(f"{text!r}: the range is upside down")
    return ends


def _parts(text: str, count: int, example: str) -> list[str]:
    parts = [part.strip() for part in (text.split(",") if "," in text else text.split())]
    if len(parts) != count:
        raise InputError(f"{text!r} has not {count} parts; write it as in {example}")
    return parts


def _within(parse: Callable[[str], float], bound: Bound) -> Callable[[str], float]:
    def checked(text: str) -> float:
        value = parse(text)
        if problem := bound.problem(value):
            raise InputError(problem)
        return value

    return checked


def _or(empty: _T, parse: Callable[[str], _T]) -> Callable[[str], _T]:
    return lambda text: parse(text) if text else empty


def _gel_problems(rows: Sequence[tuple[float, float, float, float]]) -> Sequence[str]:
    return Cells(*np.array(rows).T).mistakes()


def _stage_problems(rows: Sequence[tuple[float, float]]) -> Sequence[str]:
    temps_c, times_h = np.array(rows).T
    return Cells(temps_c, None, times_h, times_h).mistakes()


def _recoat_problems(rows: Sequence[tuple[float, float, float]]) -> Sequence[str]:
    temps_c, opens, closes = np.array(rows).T
    return [*Cells(temps_c, None, opens, opens).mistakes(), *Cells(temps_c, None, closes, closes).mistakes()]
