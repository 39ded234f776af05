"""`layday ahead`: the next 48 hours per bay, with their odds."""

import json
from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import numpy as np
import typer
from rich.table import Table

from collector.clock import from_us
from collector.domain import QUANTITIES
from dashboards.session import Session

if TYPE_CHECKING:
    from forecast.paths import Forecast

_ODDS = (0.1, 0.5, 0.9)
_HOURS = (1, 2, 3, 4, 6, 8, 10, 12, 16, 20, 24, 30, 36, 42, 48)


def ahead(
    ctx: typer.Context,
    at: Annotated[str | None, typer.Option(help="As it would have been said then.")] = None,
    bay: Annotated[str | None, typer.Option(help="Only this bay.")] = None,
) -> None:
    """Say what the next 48 hours may bring: the likely course, and the range that holds 8 times in 10."""
    from forecast.forecaster import forecast
    from forecast.past import read_store

    session: Session = ctx.obj
    moment = session.moment(at)
    store = session.open_store(read_only=True)
    try:
        history = read_store(store, moment)
    finally:
        store.close()
    found = forecast(history, moment)
    rows = {unit: _rows(found, *unit) for unit in found.paths if bay in {None, unit[0]}}
    if session.json:
        bays: dict[str, dict[str, object]] = {}
        for (place, quantity), hours in rows.items():
            bays.setdefault(place, {})[quantity] = [
                {"at": _iso(time), "low": low, "likely": likely, "high": high}
                for time, low, likely, high in hours
            ]
        answer = {
            "schema": "layday/ahead/1",
            "issued_at": _iso(found.issued_at),
            "bays": bays,
            "notes": found.notes,
        }
        session.console.print_json(json.dumps(answer))
        return
    for note in found.notes:
        session.console.print(note, markup=False, soft_wrap=True)
    for (place, quantity), hours in rows.items():
        session.console.print(_table(session, place, quantity, hours))


def _iso(at: datetime) -> str:
    return from_us(round(at.timestamp()) * 1_000_000).isoformat().replace("+00:00", "Z")


def _rows(found: "Forecast", bay: str, quantity: str) -> list[tuple[datetime, float, float, float]]:
    """Return (time, low, likely, high) at the hours shown."""
    courses = [found.quantile(bay, quantity, odds) for odds in _ODDS]
    first_us = int(found.times_us[0])
    rows = []
    for hours in _HOURS:
        place = int(np.searchsorted(found.times_us, first_us + hours * 3_600_000_000))
        if place < len(found.times_us):
            low, likely, high = (round(float(course[place]), 2) for course in courses)
            rows.append((from_us(int(found.times_us[place])), low, likely, high))
    return rows


def _table(
    session: Session, bay: str, quantity: str, hours: list[tuple[datetime, float, float, float]]
) -> Table:
    kind = QUANTITIES[quantity]
    title = f"{bay}: {kind.words}, {kind.unit}"
    table = Table("at", "low", "likely", "high", "", title=title, title_justify="left", box=None)
    lowest, highest = min(row[1] for row in hours), max(row[3] for row in hours)
    for at, low, likely, high in hours:
        local = at.astimezone(session.config.shed.zone)
        bar = _bar(low, likely, high, lowest, highest)
        table.add_row(f"{local:%a %H:%M}", f"{low:.1f}", f"{likely:.1f}", f"{high:.1f}", bar)
    return table


def _bar(low: float, likely: float, high: float, lowest: float, highest: float, cells: int = 30) -> str:
    """Draw the range as dashes and the likely value as a plus, in plain ASCII for any console."""
    scale = (cells - 1) / max(highest - lowest, 1e-9)
    left, middle, right = (round((value - lowest) * scale) for value in (low, likely, high))
    line = [" "] * left + ["-"] * (right - left + 1)
    line[min(middle, len(line) - 1)] = "+"
    return "".join(line)
