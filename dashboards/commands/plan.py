"""`layday plan`: several jobs in a row."""

import json
from pathlib import Path
from typing import Annotated

import typer

from collector.config import load_plan
from dashboards.known_ahead import history_of, hours_of
from dashboards.session import EXIT_CODES, Session
from dashboards.terminal.saying import say
from forecast.verdict import Verdict


def plan_command(
    ctx: typer.Context,
    file: Annotated[
        Path,
        typer.Argument(help="A TOML file of [[job]] tables, in order; 'layday check --settings' lists them."),
    ],
    any_hour: Annotated[bool, typer.Option("--any-hour", help="Not only in working hours.")] = False,
    at: Annotated[str | None, typer.Option("--at", help="As it would have been said then.")] = None,
) -> None:
    """Find the earliest schedule that will do, and the surest, for jobs that follow each other.

    Exit codes: 0 there is a schedule to go, 11 only a tight one, 10 none.
    """
    from dataclasses import replace

    from dashboards.plan_view import plan_json, plan_lines, plan_sentence
    from forecast.forecaster import forecast
    from forecast.plan import plan
    from forecast.planned_jobs import plan_steps, terms_of

    session: Session = ctx.obj
    moment = session.moment(at)
    given = load_plan(file)
    history, notes = history_of(session, moment)
    steps = plan_steps(given, session.config, session.card_folders, history.bays, moment)
    terms = terms_of(session.config, moment)
    if any_hour:
        terms = replace(terms, working=None)
    sky = hours_of(session, moment, forecast(history, moment), history)
    found = plan(sky, steps, terms)
    console, reader = session.console, session.reader
    if session.json:
        console.print_json(json.dumps(plan_json(found, moment, (*notes, *sky.notes))))
    elif session.plain:
        say(console, [plan_sentence(found, moment, reader)], plain=True)
    else:
        told = [f"{note[:1].upper()}{note[1:]}." for note in (*notes, *sky.notes)]
        say(console, [*told, *plan_lines(found, moment, reader)])
    best = found.earliest or found.surest
    raise typer.Exit(EXIT_CODES[Verdict.NO_GO if best is None else best.verdict])
