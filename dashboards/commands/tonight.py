"""`layday tonight`: whether every live cure is on track."""

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from collector.errors import InputError
from collector.journal_book import Book
from dashboards.care import tonight_cautions
from dashboards.cure_view import cure_json, cure_sentences
from dashboards.cures import cures_now, read_book
from dashboards.known_ahead import history_of, unheated_of
from dashboards.outlooks import kept_outlook
from dashboards.session import EXIT_CODES, Session
from dashboards.terminal.render.tonight import tonight_text
from dashboards.terminal.saying import say
from forecast.batches import live_at
from forecast.cure_outlook import CureOutlook
from forecast.verdict import Verdict, worst

if TYPE_CHECKING:
    from forecast.paths import Forecast
    from forecast.unheated import Unheated


def tonight(
    ctx: typer.Context,
    at: Annotated[str | None, typer.Option("--at", help="Answer as of this time, as in 21:40.")] = None,
    forecast: Annotated[
        bool,
        typer.Option("--forecast", help="Work out a forecast where none is kept; it takes some seconds."),
    ] = False,
) -> None:
    """Say of every live cure where it stands, when it gets on, and what would save it.

    The hours ahead are those of the outlook that `layday run` keeps; without one the part is taken
    to stay as warm as in the last hours. Exit codes: 0 on track, 11 barely, 10 off track, 12 no news.
    """
    session: Session = ctx.obj
    moment = session.moment(at)
    book = read_book(session)
    cures = live_at(book, moment)
    found: tuple[CureOutlook, ...] = ()
    mistakes: tuple[str, ...] = ()
    if cures:
        found, mistakes = _worked_out(session, moment) if forecast else _kept(session, book, moment)
    _print(session, found, mistakes, moment)
    verdict = worst(cure.verdict for cure in found) if found else Verdict.GO
    raise typer.Exit(EXIT_CODES[Verdict.NO_NEWS if mistakes else verdict])


def _kept(session: Session, book: Book, moment: datetime) -> tuple[tuple[CureOutlook, ...], tuple[str, ...]]:
    """Take what the kept outlook says of each cure; where it says nothing, go by the last hours' warmth."""
    return cures_now(session, book, kept_outlook(session, moment), moment)


def _worked_out(session: Session, moment: datetime) -> tuple[tuple[CureOutlook, ...], tuple[str, ...]]:
    """Make an outlook as of the moment, here and now."""
    from forecast.outlook_maker import make_outlook, shed_of

    store = session.open_store(read_only=True)
    try:
        shed = shed_of(session.config, session.card_folders)
        ahead, cold, notes = _forecast(session, moment)
        book = read_book(session)
        outlook = make_outlook(store, shed, moment, forecast=ahead, book=book, unheated=cold)
    finally:
        store.close()
    hours = ahead if cold is None else cold.left_off
    said = (*notes, *(hours.notes if hours is not None else ()))
    return tuple(replace(cure, notes=(*cure.notes, *said)) for cure in outlook.cures), outlook.mistakes


def _forecast(
    session: Session, moment: datetime
) -> tuple["Forecast | None", "Unheated | None", tuple[str, ...]]:
    from forecast.forecaster import forecast

    try:
        history, notes = history_of(session, moment)
        found = forecast(history, moment)
        return found, unheated_of(session, moment, found, history), notes
    except InputError as error:
        return None, None, (str(error),)


def _print(
    session: Session, found: tuple[CureOutlook, ...], mistakes: tuple[str, ...], moment: datetime
) -> None:
    reader, console = session.reader, session.console
    if session.json:
        answer = {
            "schema": "layday/tonight/1",
            "at": f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
            "cures": [cure_json(cure, reader) for cure in found],
            "mistakes": list(mistakes),
        }
        console.print_json(json.dumps(answer))
        return
    say(console, [f"No news: {mistake}" for mistake in mistakes], plain=session.plain)
    if session.plain:
        say(console, [line for cure in found for line in cure_sentences(cure, reader)], plain=True)
        if not found and not mistakes:
            console.print("No live cure.")
        say(console, [f"{one[:1].upper()}{one[1:]}." for one in tonight_cautions(found)], plain=True)
    elif found or not mistakes:
        console.print(tonight_text(session.config.shed.name, found, moment, reader, console.width))
