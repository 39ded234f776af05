"""`layday salt`: calibrate a humidity sensor over two salts, or a temperature probe in melting ice."""

import json
import sys
import time
from collections.abc import Iterable
from datetime import timedelta
from typing import Annotated

import typer

from collector.domain import QUANTITIES, Quantity
from collector.errors import InputError, StoreError
from collector.store.base import Store
from dashboards.salt_points import ICE, Asked, Bench, Found, read_asked
from dashboards.salt_view import how_to, salt_json, salt_lines
from dashboards.session import Session
from dashboards.terminal.saying import say
from forecast.salt import fit

_USUAL = {"%": ("mgcl2", "nacl"), "°C": (ICE,)}
_SPANS = {"%": (40.0, 90.0), "°C": (0.0, 40.0)}


def salt(
    ctx: typer.Context,
    sensor: Annotated[str, typer.Argument(help="The sensor, as in keel.humidity_pct or keel.part_c.")],
    point: Annotated[
        list[str] | None,
        typer.Option(
            help="mgcl2, nacl, ... or ice; with its reading (nacl=72.4), a time (nacl@21:40), or alone."
        ),
    ] = None,
    temp_c: Annotated[float | None, typer.Option("--temp", help="How warm the slurry is, in °C.")] = None,
    wait_h: Annotated[
        float, typer.Option("--wait", help="Wait at most so many hours for rest.", min=0)
    ] = 12.0,
) -> None:
    """Calibrate a sensor over saturated salts (Greenspan 1977) or in melting ice, step by step.

    Without --point it guides through both salts (or the ice), one Enter each, and watches the sensor come to
    rest. It prints the lines for the configuration; the store keeps what was measured.
    """
    session: Session = ctx.obj
    quantity = _quantity(sensor)
    asked = [
        read_asked(text, quantity, lambda word: session.moment(word, "--point"))
        for text in point or _USUAL[quantity.unit]
    ]
    store = _store(session, asked)
    try:
        bench = Bench(store, sensor, quantity, temp_c)
        found = [_take(session, bench, each, timedelta(hours=wait_h), guided=not point) for each in asked]
    finally:
        if store is not None:
            store.close()
    since = max((each.at for each in asked if each.at), default=session.clock.now())
    try:
        line = fit([each.point for each in found], _SPANS[quantity.unit])
    except ValueError as error:
        raise InputError(f"{sensor}: {error}") from error
    if session.json:
        session.console.print_json(json.dumps(salt_json(sensor, found, line, since)))
    else:
        _say(session, salt_lines(sensor, quantity, found, line, since))


def _say(session: Session, lines: Iterable[str]) -> None:
    for text in lines:
        if text.startswith("["):  # to be pasted as it is
            session.console.print(text, soft_wrap=True, markup=False)
        else:
            say(session.console, [text], plain=session.plain)


def _quantity(sensor: str) -> Quantity:
    found = QUANTITIES.get(sensor.rpartition(".")[2])
    if found is None or found.name not in {"humidity_pct", "air_c", "part_c", "pipe_c"}:
        raise InputError(f"{sensor}: name a humidity or temperature sensor, as in keel.humidity_pct")
    return found


def _store(session: Session, asked: list[Asked]) -> Store | None:
    """Open the store as measured; values given on the command line need none."""
    try:
        return session.open_raw_store()
    except StoreError:
        if all(each.measured is not None for each in asked):
            return None
        raise


def _take(session: Session, bench: Bench, asked: Asked, wait: timedelta, *, guided: bool) -> Found:
    """Take one point; what goes on meanwhile is told on standard error, so that the answer stays clean."""
    if guided:
        typer.echo(f"\n{asked.name}: {how_to(asked.name)}", err=True)
        typer.echo("Enter when it is in: ", nl=False, err=True)
        sys.stdin.readline()
    said = ""

    def say(words: str) -> None:
        nonlocal said
        if words != said:
            typer.echo(f"{asked.name}: {words}", err=True)
        said = words

    return bench.find(asked, session.clock, wait, say, time.sleep)
