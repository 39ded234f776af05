"""`layday tonight`: whether every live cure is on track."""

import json
from datetime import UTC, datetime
from typing import Annotated

import typer

from dashboards.cure_view import cure_json, cure_sentence, has_news
from dashboards.cures import live_at, read_book, stand
from dashboards.session import EXIT_CODES, Session
from dashboards.terminal.render.tonight import tonight_text
from forecast.tonight import CureTonight
from forecast.verdict import Verdict


def tonight(
    ctx: typer.Context,
    at: Annotated[str | None, typer.Option("--at", help="Answer as of this time, as in 21:40.")] = None,
) -> None:
    """Say where every live cure stands, and when it gets on if it stays as warm as in the last hours.

    Exit codes: 0 on track, 11 one is stalled, 12 no news of one.
    """
    session: Session = ctx.obj
    moment = session.moment(at)
    book = read_book(session)
    cures = live_at(book, moment)
    found: tuple[CureTonight, ...] = ()
    mistakes: tuple[str, ...] = ()
    if cures:
        found, cards = stand(session, book, cures, moment)
        mistakes = cards.mistakes
    _print(session, found, mistakes, moment)
    raise typer.Exit(EXIT_CODES[_verdict(found, mistakes)])


def _print(
    session: Session, found: tuple[CureTonight, ...], mistakes: tuple[str, ...], moment: datetime
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
    for mistake in mistakes:
        console.print(f"No news: {mistake}", soft_wrap=True, markup=False)
    if session.plain:
        for cure in found:
            console.print(cure_sentence(cure, reader), soft_wrap=True, markup=False)
        if not found and not mistakes:
            console.print("No live cure.")
    elif found or not mistakes:
        console.print(tonight_text(session.config.shed.name, found, moment, reader, console.width))


def _verdict(found: tuple[CureTonight, ...], mistakes: tuple[str, ...]) -> Verdict:
    if mistakes or not all(has_news(cure) for cure in found):
        return Verdict.NO_NEWS
    return Verdict.TIGHT if any(cure.state and cure.state.stalled for cure in found) else Verdict.GO
