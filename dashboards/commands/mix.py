"""`layday mix`: what to stir in, how long it lasts, how much at a time."""

import json
import re
from typing import Annotated

import typer

from collector.errors import InputError
from collector.nearest import did_you_mean
from collector.units import (
    is_volume,
    parse_area_m2,
    parse_areal_g_m2,
    parse_duration_min,
    parse_mass_g,
    parse_percent,
    parse_temperature_c,
    parse_volume_ml,
)
from dashboards.cures import card_pots, read_book
from dashboards.mix_view import MixAnswer, mix_json, mix_lines
from dashboards.session import Session
from dashboards.shed_at import shed_at
from dashboards.terminal.saying import say
from forecast.card import Card
from forecast.card_files import find_card
from forecast.layup import Layup, Ply, Weave, layup
from forecast.mix import Percentage, batches, layup_warnings, mix, percent_for_work_time
from forecast.resin import gel_surface
from forecast.time_surface import TimeSurface

_PLY = re.compile(
    r"(?:(?P<before>\d+)\s*x\s*)?(?P<weave>mat|cloth|(?:woven\s+)?roving)\s+"
    r"(?P<weight>.+?)(?:\s*x\s*(?P<after>\d+))?",
    re.IGNORECASE,
)
_COLDEST_C, _HOTTEST_C = -10.0, 60.0
_MAX_MIXED_G = 50_000.0

CardOption = Annotated[str, typer.Option("--card", "-c", help="A resin card: its key, or a .toml file.")]
TempOption = Annotated[
    str | None, typer.Option("--temp", "-t", help="Where it is laid and gels, as in 64F or 18C.")
]
BayOption = Annotated[
    str | None, typer.Option("--bay", "-b", help="Take the temperature of this bay's part, as measured.")
]
PercentOption = Annotated[str | None, typer.Option("--percent", "-p", help="The catalyst, as in 1.5%.")]
WorkOption = Annotated[
    str | None, typer.Option("--work-time", "-w", help="Or the time wanted to gel, as in 40min or 1h10.")
]
MassOption = Annotated[
    str | None, typer.Option("--mass", "-m", help="Resin in one pot, as in 800g, 2lb or 1.5l.")
]
LotOption = Annotated[str, typer.Option("--lot", "-l", help="The number on the drum; gels seen of it count.")]
AreaOption = Annotated[str | None, typer.Option(help="The area to laminate, as in 2.5m2 or 30sqft.")]
PlyOption = Annotated[
    list[str] | None, typer.Option(help="A ply, as in 'mat 1.5oz/ft2 x2' or 'cloth 300g/m2'; repeat.")
]


def mix_command(  # noqa: PLR0913, PLR0917  a command's options are its arguments
    ctx: typer.Context,
    card: CardOption,
    temp: TempOption = None,
    bay: BayOption = None,
    percent: PercentOption = None,
    work_time: WorkOption = None,
    mass: MassOption = None,
    lot: LotOption = "",
    area: AreaOption = None,
    ply: PlyOption = None,
) -> None:
    """Say how much hardener to stir in, by weight and by volume, how long it lasts, in how many pots."""
    session: Session = ctx.obj
    found = find_card(card, session.card_folders)
    surface = gel_surface(found, card_pots(session, read_book(session), card, found), lot)
    temp_c, whence = _temperature(session, temp, bay)
    percentage = _percentage(found, surface, temp_c, percent, work_time)
    lay = _layup(found, area, ply)
    job_g = lay.resin_g if lay else _resin_g(found, mass)
    pots = batches(found, surface, percentage.catalyst_pct, job_g, temp_c)
    one_g = _resin_g(found, mass) if mass or pots is None else pots.resin_g
    mixed = mix(found, surface, percentage, one_g, temp_c)
    if lay:
        warned = layup_warnings(found, surface, percentage.catalyst_pct, lay, temp_c)
        mixed = mixed.with_warnings(warned)
    answer = MixAnswer(found, temp_c, whence, mixed, job_g, pots, lay)
    if session.json:
        session.console.print_json(json.dumps(mix_json(answer)))
        return
    say(session.console, mix_lines(answer, session.reader), plain=session.plain)


def _temperature(session: Session, temp: str | None, bay: str | None) -> tuple[float, str]:
    if (temp is None) == (bay is None):
        raise InputError("--temp or --bay: give one of them: the temperature decides how long it lasts")
    if temp is not None:
        temp_c = parse_temperature_c(temp)
        if not _COLDEST_C <= temp_c <= _HOTTEST_C:
            low, high = session.reader.temperature(_COLDEST_C), session.reader.temperature(_HOTTEST_C)
            raise InputError(f"--temp {temp!r} is outside {low} to {high}, where resin can be worked")
        return temp_c, "as given"
    places = {found.bay: found for found in shed_at(session, session.clock.now()).bays}
    if bay not in places:
        known = f"{', '.join(places) or 'none'}{did_you_mean(bay or '', places)}"
        raise InputError(f"--bay {bay!r}: no bay is called so; there are {known}")
    part_c = places[bay].part_c
    if part_c is None:
        raise InputError(f"--bay {bay}: no fresh reading of its part; give --temp instead")
    return part_c, f"the part in {bay} now"


def _percentage(
    card: Card, surface: TimeSurface, temp_c: float, percent: str | None, work_time: str | None
) -> Percentage:
    if percent is not None and work_time is not None:
        raise InputError("--percent and --work-time: give one of them, the other follows")
    if percent is not None:
        catalyst_pct = parse_percent(percent)
        if not catalyst_pct >= 0.05:  # noqa: PLR2004  what a gel surface can tell anything about
            raise InputError(f"--percent {percent!r} is next to nothing: it would never cure")
        return Percentage(catalyst_pct)
    if work_time is not None:
        work_min = parse_duration_min(work_time)
        if not work_min > 0.0:
            raise InputError(f"--work-time {work_time!r} must be longer than nothing")
        return percent_for_work_time(card, surface, temp_c, work_min)
    if card.catalyst_min_pct == card.catalyst_max_pct:
        return Percentage(card.catalyst_min_pct)
    raise InputError(
        f"--percent or --work-time: the card leaves {card.catalyst_min_pct:g} to "
        f"{card.catalyst_max_pct:g} % open; give one of them"
    )


def _resin_g(card: Card, mass: str | None) -> float:
    """Return the resin of one pot; what is poured weighs what the card's density says."""
    if mass is None:
        return 1000.0
    mass_g = parse_volume_ml(mass) * card.density_g_ml if is_volume(mass) else parse_mass_g(mass)
    if not 1.0 <= mass_g <= _MAX_MIXED_G / 2.0:
        raise InputError(f"--mass {mass!r} is no pot of resin; 1 g to 25 kg")
    return mass_g


def _layup(card: Card, area: str | None, plies: list[str] | None) -> Layup | None:
    if not area and not plies:
        return None
    if not area or not plies:
        raise InputError("--area and --ply go together: how much, and of what")
    area_m2 = parse_area_m2(area)
    if not area_m2 > 0.0:
        raise InputError(f"--area {area!r} must be more than nothing")
    try:
        lay = layup(area_m2, [_ply(text) for text in plies], resin_density_g_ml=card.density_g_ml)
    except ValueError as error:
        raise InputError(f"--ply: {error}") from error
    return lay


def _ply(text: str) -> Ply:
    found = _PLY.fullmatch(text.strip())
    if found is None:
        raise InputError(f"--ply {text!r}: write the glass and its weight, as in 'mat 1.5oz/ft2 x2'")
    word = found["weave"].lower()
    weave = Weave.MAT if word == "mat" else Weave.CLOTH if word == "cloth" else Weave.ROVING
    return Ply(weave, parse_areal_g_m2(found["weight"]), int(found["before"] or found["after"] or 1))
