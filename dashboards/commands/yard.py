"""`layday yard`: all sheds that forward to a central store, the worst first."""

import json
from datetime import datetime, timedelta
from typing import Annotated

import typer
from rich.table import Table

from collector.clock import to_us
from collector.errors import InputError, StoreError
from collector.store.address import Address, parse_address
from collector.store.opening import open_engine
from dashboards.session import EXIT_CODES, Session
from dashboards.terminal.saying import say
from dashboards.yard_view import yard_cells, yard_json, yard_sentence
from forecast.verdict import Verdict, worst
from forecast.yard import ShedLine, yard
from forecast.yard_numbers import Told, told_from

_FRESH = timedelta(minutes=5)  # as often as a shed's own daemon makes one
_HEADS = ("shed", "verdict", "cures", "next window", "fuel", "age", "why")


def yard_command(
    ctx: typer.Context,
    at: Annotated[str | None, typer.Option(help="Answer as of this time.")] = None,
    refresh: Annotated[
        bool, typer.Option("--refresh", help="First make outlooks, here, for sheds that sent none lately.")
    ] = False,
    jobs: Annotated[int, typer.Option(min=1, help="Processes to refresh with.")] = 2,
    days: Annotated[float, typer.Option(min=0.0, help="Days of readings to refresh from.")] = 3.0,
) -> None:
    """Show every shed in one line, the worst first: verdict, live cures, next window, fuel, age.

    It asks the central store alone: --store, or [central] or [forward] in the configuration.
    Exit code: the worst shed's, as of `layday now`.
    """
    session: Session = ctx.obj
    address = _address(session)
    moment = session.moment(at)
    if refresh:
        _refresh(session, address, jobs, days)
        moment = session.moment(at)
    engine = open_engine(address, session.central_access, session.clock)
    try:
        lines = yard(engine, moment, session.limits)
    finally:
        engine.close()
    reader = session.reader
    if session.json:
        session.console.print_json(json.dumps(yard_json(lines, moment, reader)))
    elif session.plain:
        say(session.console, [yard_sentence(line, moment, reader) for line in lines], plain=True)
    else:
        session.console.print(_table([yard_cells(line, moment, reader) for line in lines]))
    if not lines and not session.json:
        session.console.print(f"No shed has forwarded anything to {address} yet.", markup=False)
    raise typer.Exit(EXIT_CODES[_verdict(lines)])


def _verdict(lines: list[ShedLine]) -> Verdict:
    return worst(line.verdict for line in lines)


def _address(session: Session) -> Address:
    """Return the central store to ask, without any one shed."""
    if session.central is not None:
        return session.central.of("")
    named = session.config.central.address or session.config.forward.address
    if not named:
        raise InputError(
            "which yard? name its central store: --store influx://HOST/BUCKET, or central.address in the "
            "configuration"
        )
    return parse_address(named).of("")


def _is_fresh(told: Told | None, now: datetime) -> bool:
    return told is not None and now - told.outlook_at < _FRESH


def _table(rows: list[tuple[str, ...]]) -> Table:
    table = Table(*_HEADS, box=None, pad_edge=False)
    for row in rows:
        table.add_row(*row)
    return table


def _refresh(session: Session, address: Address, jobs: int, days: float) -> None:
    """Make the outlooks of all sheds but those whose own daemon has just made one."""
    from forecast.yard_refresh import Refreshing
    from forecast.yard_refresh import refresh as refreshed

    engine = open_engine(address, session.central_access, session.clock)
    now = session.clock.now()
    try:
        numbers = {shed: told_from(found) for shed, found in engine.numbers(to_us(now)).items()}
        sheds = [shed for shed in engine.sheds() if not _is_fresh(numbers.get(shed), now)]
    finally:
        engine.close()
    asked = Refreshing(
        address, session.central_access, session.config.forward.org, now, days, session.card_folders
    )
    failed = [done for done in refreshed(asked, sheds, jobs) if done.trouble]
    for done in failed:
        typer.echo(f"layday: {done.shed}: no outlook: {done.trouble}", err=True)
    if sheds and len(failed) == len(sheds):
        raise StoreError(f"{address}: no shed's outlook could be made or written")
