"""`layday ahead`: the next 48 hours per bay, with their odds."""

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from collector.errors import InputError
from dashboards.known_ahead import history_of, hours_of
from dashboards.plots import check_plot, draw_plot
from dashboards.session import Session
from dashboards.terminal.saying import say
from dashboards.terminal.signs import has_braille

if TYPE_CHECKING:
    from forecast.paths import Forecast

_NARROW_CELLS, _WIDEST_CELLS, _CHART_LINES = 60, 100, 12


def ahead(
    ctx: typer.Context,
    at: Annotated[str | None, typer.Option(help="As it would have been said then.")] = None,
    bay: Annotated[str | None, typer.Option(help="Only this bay.")] = None,
    plot: Annotated[Path | None, typer.Option(help="Draw it into this .png file too.")] = None,
) -> None:
    """Say what the next 48 hours may bring: the likely course, and the range that holds 8 times in 10."""
    from dashboards.hours_view import ahead_json, bay_sentences
    from forecast.forecaster import forecast

    check_plot(plot)
    session: Session = ctx.obj
    moment = session.moment(at)
    history, notes = history_of(session, moment)
    found = hours_of(session, moment, forecast(history, moment), history)
    there = sorted({name for name, _ in found.paths})
    if bay is not None and bay not in there:
        raise InputError(f"--bay {bay!r}: the forecast has {', '.join(there)}")
    bays = [name for name in there if bay in {None, name}]
    if plot is not None:
        from dashboards.panels import ahead_panels

        draw_plot(ahead_panels(found, bays, session.limits, session.reader), plot)
    if session.json:
        answer = ahead_json(found, bays, session.limits, session.reader)
        answer["notes"] = [*notes, *found.notes]
        session.console.print_json(json.dumps(answer))
        return
    told = [f"{note[:1].upper()}{note[1:]}." for note in (*notes, *found.notes)]
    say(session.console, told, plain=session.plain)
    for name in bays:
        said = bay_sentences(found, name, session.limits, session.reader)
        if session.plain:
            say(session.console, [f"{name}, {words[:1].lower()}{words[1:]}" for words in said], plain=True)
        else:
            say(session.console, [f"{name}: {' '.join(said)}"])
            _print_bay(session, found, name)


def _print_bay(session: Session, found: "Forecast", bay: str) -> None:
    """Print the chart and the numbers of one bay."""
    from dashboards.hours_view import bay_chart, table_rows

    console = session.console
    plain = not has_braille(console.encoding, os.environ)
    size = min(console.width, _WIDEST_CELLS), _CHART_LINES
    for line in bay_chart(found, bay, session.limits, session.reader, size, plain=plain):
        console.print(line)
    narrow = console.width < _NARROW_CELLS
    head, rows = table_rows(found, bay, session.reader, narrow=narrow)
    table = Table(*head, box=None, padding=(0, 1 if narrow else 2, 0, 0))
    for row in rows:
        table.add_row(*row)
    console.print(table)
