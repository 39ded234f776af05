"""`layday ahead`: the next 48 hours per bay, with their odds."""

import json
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from collector.errors import InputError
from dashboards.session import Session

if TYPE_CHECKING:
    from datetime import datetime

    from forecast.paths import Forecast

_TIME_CELLS = 12
_QUANTITY_CELLS = 19
_SHORTEST_BAR_CELLS, _LONGEST_BAR_CELLS = 10, 40


def ahead(
    ctx: typer.Context,
    at: Annotated[str | None, typer.Option(help="As it would have been said then.")] = None,
    bay: Annotated[str | None, typer.Option(help="Only this bay.")] = None,
) -> None:
    """Say what the next 48 hours may bring: the likely course, and the range that holds 8 times in 10."""
    from dashboards.hours_view import ahead_json, bay_sentences

    session: Session = ctx.obj
    found, notes = _forecast(session, session.moment(at))
    there = sorted({name for name, _ in found.paths})
    if bay is not None and bay not in there:
        raise InputError(f"--bay {bay!r}: the forecast has {', '.join(there)}")
    bays = [name for name in there if bay in {None, name}]
    if session.json:
        answer = ahead_json(found, bays, session.limits, session.reader)
        answer["notes"] = [*notes, *found.notes]
        session.console.print_json(json.dumps(answer))
        return
    for note in (*notes, *found.notes):
        session.console.print(note[:1].upper() + note[1:] + ".", markup=False, soft_wrap=True)
    for name in bays:
        words = " ".join(bay_sentences(found, name, session.limits, session.reader))
        session.console.print(f"{name}: {words}", markup=False, soft_wrap=True)
        if not session.plain:
            session.console.print(_table(session, found, name))


def _forecast(session: Session, moment: "datetime") -> tuple["Forecast", tuple[str, ...]]:
    """Return the forecast and what is to be said about the weather; nothing is asked over the network."""
    from forecast.forecaster import forecast
    from forecast.past import read_store
    from forecast.weather_keeper import WeatherKeeper, weather_book_path

    store = session.open_store(read_only=True)
    try:
        history = read_store(store, moment)
    finally:
        store.close()
    weather = WeatherKeeper(session.config.weather, weather_book_path(session.store_path), session.clock)
    return forecast(weather.known(history), moment), weather.notes


def _table(session: Session, found: "Forecast", bay: str) -> Table:
    from dashboards.hours_view import table_rows

    quantities = sum(name == bay for name, _ in found.paths)
    room = session.console.width - _TIME_CELLS - _QUANTITY_CELLS * quantities
    head, rows = table_rows(found, bay, session.reader, min(room, _LONGEST_BAR_CELLS))
    wide = room >= _SHORTEST_BAR_CELLS
    table = Table(*(head if wide else head[:-1]), box=None, padding=(0, 2, 0, 0))
    for row in rows:
        table.add_row(*(row if wide else row[:-1]))
    return table
