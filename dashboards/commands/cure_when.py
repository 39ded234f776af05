"""`layday cure when`: when the next ply, grinding and taking off may be, and whether to bond or to sand."""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from collector.clock import to_us
from collector.errors import InputError, StoreError
from collector.journal_book import Cure
from dashboards.cure_steps import STEPS, cold_words, gel_lines, step_lines, step_of
from dashboards.cure_view import headline
from dashboards.cure_words import cure_and_rest
from dashboards.cures import cures_now, read_book, stand
from dashboards.outlooks import kept_outlook
from dashboards.plots import check_plot, draw_plot
from dashboards.session import Session
from dashboards.terminal.saying import say
from forecast.card_files import find_card
from forecast.cure_outlook import CureOutlook
from forecast.tonight_ahead import cure_outlook
from forecast.verdict import NEEDED


def when(
    ctx: typer.Context,
    words: Annotated[
        list[str] | None, typer.Argument(metavar="[CURE] [ply|grind|mould]", show_default=False)
    ] = None,
    at: Annotated[str | None, typer.Option("--at", "-a", help="As of this time, as in 21:40.")] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Draw its warmth and stages into this .png file too.")
    ] = None,
) -> None:
    """Say when the next ply bonds, when it can be ground, when it comes off; bond or sand."""
    check_plot(plot)
    session: Session = ctx.obj
    moment = session.moment(at)
    cure, rest = cure_and_rest(read_book(session), words or [])
    wanted = step_of(" ".join(rest)) if rest else ""
    found = cure_at(session, cure, moment)
    if plot is not None:
        draw_cure(session, cure, found, moment, plot)
    lines = step_lines(found, session.reader, wanted)
    if found.state is not None and (cold := cold_words(found.state)):
        lines.insert(0, cold)
    head = f"{found.key}  {found.part}, {found.bay}: {headline(found)}"
    if session.json:
        answer = {
            "schema": "layday/steps/1",
            "at": f"{moment.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
            "id": found.key,
            "steps": [wanted] if wanted else list(STEPS),
            "words": lines,
        }
        session.console.print_json(json.dumps(answer))
        return
    say(session.console, [head, *(f"  {line}" for line in lines)], plain=session.plain)


def cure_at(session: Session, cure: Cure, moment: datetime) -> CureOutlook:
    """Return one cure as it stands: live ones with the hours ahead that are kept, others without.

    Raises
    ------
    InputError
        If its card cannot be read.
    StoreError
        If there is no store or it cannot be read.
    """
    book = read_book(session)
    live, mistakes = cures_now(session, book, kept_outlook(session, moment), moment)
    for found in live:
        if found.key == cure.key:
            return found
    if mistakes:
        raise InputError("\n".join(mistakes))
    stands, cards = stand(session, book, [cure], moment)
    if cards.mistakes:
        raise InputError("\n".join(cards.mistakes))
    return cure_outlook(stands[0], None)


def draw_cure(session: Session, cure: Cure, found: CureOutlook, moment: datetime, plot: Path) -> None:
    """Draw one cure into a file.

    Raises
    ------
    InputError
        If its card cannot be read, or it could not be drawn.
    StoreError
        If there is no store or it cannot be read.
    """
    from dashboards.cure_panels import CurePicture, cure_panels
    from dashboards.record.measured import courses

    until = min(moment, cure.ended_at or moment)
    store = session.open_store(read_only=True)
    try:
        samples = {name: store.window(f"{found.bay}.{name}", cure.laid_at, until) for name in NEEDED}
    finally:
        store.close()
    outlook = kept_outlook(session, moment) if until == moment else None
    ahead = None
    if outlook is not None and not outlook.is_stale(moment):
        ahead = next((bay.band("part_c") for bay in outlook.bays if bay.bay == found.bay), None)
    limits = find_card(cure.batch.card, session.card_folders).application
    measured = courses(samples, to_us(cure.laid_at))
    picture = CurePicture(found, measured, limits, ahead, until)
    draw_plot(cure_panels(picture, session.reader), plot)


def after_gel(session: Session, cure: Cure, at: datetime) -> list[str]:
    """Return what comes after a gel that was marked; nothing where there are no readings to say it from."""
    try:
        return [f"  {line}" for line in gel_lines(cure_at(session, cure, at), session.reader)]
    except (StoreError, InputError):
        return []
