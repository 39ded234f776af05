"""`layday heater`: how the heater runs, where the air peaks, what to set instead, when the fuel is gone."""

import json
from typing import TYPE_CHECKING, Annotated

import typer

from collector.errors import InputError
from collector.units import parse_percent
from dashboards.cures import card_pots, read_book
from dashboards.session import EXIT_CODES, Session
from forecast.card_files import find_card
from forecast.resin import gel_surface

if TYPE_CHECKING:
    from datetime import datetime

    from forecast.heater_shed import PotPlan
    from forecast.heater_state import HeaterOutlook
    from forecast.past import History


def heater(  # noqa: PLR0913, PLR0917  a command's options are its arguments
    ctx: typer.Context,
    bay: Annotated[str | None, typer.Option("--bay", "-b", help="Where you work.")] = None,
    card: Annotated[str | None, typer.Option("--card", "-c", help="The resin you mean to mix.")] = None,
    percent: Annotated[str | None, typer.Option("--percent", "-p", help="Its catalyst, as in 1.5%.")] = None,
    lot: Annotated[str, typer.Option("--lot", "-l", help="The number on the drum.")] = "",
    thickness_mm: Annotated[float, typer.Option("--thickness", help="Laminate and mould skin, in mm.")] = 8.0,
    at: Annotated[str | None, typer.Option("--at", help="Answer as of this time, as in 13:20.")] = None,
) -> None:
    """Say where the air peaks as the heater runs, what that costs a pot, and what to set instead.

    Without --card the resin of the newest cure (in that bay) is taken.
    layday advises; it never switches a heater.
    Exit codes: 0 leave it, 11 something to do, 10 it stopped, 12 no news.
    """
    from dashboards.heater_view import heater_json, heater_lines, heater_sentence, heater_verdict
    from dashboards.terminal.render.now import wrapped
    from dashboards.terminal.saying import say

    session: Session = ctx.obj
    moment = session.moment(at)
    if not 0.0 <= thickness_mm <= 200.0:  # noqa: PLR2004  thicker is a block
        raise InputError(f"--thickness {thickness_mm:g}: give 0 to 200 mm")
    outlook = _outlook(session, moment, bay, (card, percent, lot), thickness_mm)
    console, reader = session.console, session.reader
    if session.json:
        console.print_json(json.dumps(heater_json(outlook)))
    elif session.plain:
        say(console, [heater_sentence(outlook, reader)], plain=True)
    else:
        first, *rest = heater_lines(outlook, reader)
        console.print("\n".join(wrapped(first, console.width, "")), style="bold", markup=False)
        say(console, rest)
    raise typer.Exit(EXIT_CODES[heater_verdict(outlook)])


def _outlook(
    session: Session,
    at: "datetime",
    bay: str | None,
    resin: tuple[str | None, str | None, str],
    thick_mm: float,
) -> "HeaterOutlook":
    from forecast.heater_reading import Asked, heater_of_store
    from forecast.heater_shed import Part

    config = session.config
    pot = _pot(session, bay or config.heater.bay, *resin)
    target_c = config.limits.part_min_c if pot is None else pot.card.application.temp_min_c
    asked = Asked(bay, pot, Part(target_c, thick_mm, config.limits.air_max_c))
    known = _known(session, at)
    store = session.open_store(read_only=True)
    try:
        return heater_of_store(store, config.heater, config.shed.zone, at, asked, known)
    finally:
        store.close()


def _known(session: Session, at: "datetime") -> "History | None":
    """Return what the outdoor forecast last said, if one is configured; nobody is asked now."""
    if session.config.weather.service == "off":
        return None
    from forecast.past import read_store
    from forecast.weather_keeper import WeatherKeeper

    store = session.open_store(read_only=True)
    keeper = WeatherKeeper(
        session.config.weather, session.store_path.with_suffix(".weather.sqlite"), session.clock
    )
    try:
        return keeper.known(read_store(store, at))
    finally:
        store.close()


def _pot(
    session: Session, bay: str | None, card: str | None, percent: str | None, lot: str
) -> "PotPlan | None":
    from forecast.heater_shed import PotPlan

    book = read_book(session)
    newest = [cure.batch for cure in book.cures.values() if bay in {None, cure.batch.bay}]
    named = card or (newest[-1].card if newest else None)
    if named is None:
        if percent is not None:
            raise InputError("--percent: of which resin? Give --card too")
        return None
    found = find_card(named, session.card_folders)
    if percent is not None:
        catalyst_pct = parse_percent(percent)
    elif newest and newest[-1].card == named:
        catalyst_pct = newest[-1].catalyst_pct
    else:
        catalyst_pct = (found.catalyst_min_pct + found.catalyst_max_pct) / 2.0
    if not found.catalyst_min_pct <= catalyst_pct <= found.catalyst_max_pct:
        low, high = found.catalyst_min_pct, found.catalyst_max_pct
        raise InputError(f"--percent {catalyst_pct:g}: the card allows {low:g} to {high:g} %")
    return PotPlan(found, gel_surface(found, card_pots(session, book, named, found), lot), catalyst_pct)
