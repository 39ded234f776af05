"""`layday now`: whether each bay is fit to glass at this moment."""

import json
from typing import Annotated

import typer

from dashboards.session import EXIT_CODES, Session
from dashboards.shed_at import shed_at
from dashboards.terminal.render.now import now_text
from dashboards.terminal.saying import say
from dashboards.view import bay_sentence, now_json

AtOption = Annotated[
    str | None, typer.Option("--at", help="Answer as of this time (local, or with an offset).")
]


def now(ctx: typer.Context, at: AtOption = None) -> None:
    """Say for each bay whether it is fit to glass right now, and why."""
    session: Session = ctx.obj
    shed = shed_at(session, session.moment(at))
    if session.json:
        session.console.print_json(json.dumps(now_json(shed, session.reader)))
    elif session.plain:
        say(session.console, [bay_sentence(bay, session.reader) for bay in shed.bays], plain=True)
    else:
        session.console.print(now_text(shed, session.reader, session.console.width))
    raise typer.Exit(EXIT_CODES[shed.verdict])
