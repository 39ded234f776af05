"""`layday alarms`: what stands, what happened; acknowledge, or set aside until an hour."""

import getpass
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from typing import Annotated

import typer

from collector.errors import InputError
from dashboards.notify.alarm_file import alarm_path, open_alarm_file
from dashboards.notify.alarm_view import (
    alarm_lines,
    history_json,
    history_lines,
    message_lines,
    messages_json,
)
from dashboards.notify.desk import Desk, alarms_json
from dashboards.notify.outbox import Outbox
from dashboards.notify.service import desk_of
from dashboards.session import Session
from dashboards.terminal.saying import say
from dashboards.told_time import coming_time

app = typer.Typer(help="Alarms: what stands, answers to them, and their history.")
_SPAN = re.compile(r"(\d+(?:\.\d+)?)\s*(h|min)")
_NONE_YET = "no alarm was ever judged here; 'layday run' does that"

Names = Annotated[list[str], typer.Argument(help="Alarms' names, as in a12; all for every one.")]


@app.callback(invoke_without_command=True)
def alarms(ctx: typer.Context) -> None:
    """Show the alarms that stand, and those that came and went unseen."""
    if ctx.invoked_subcommand is not None:
        return
    session: Session = ctx.obj
    with _desk(session, read_only=True) as desk:
        watch = desk.watch()
    if session.json:
        session.console.print_json(json.dumps(alarms_json(watch)))
        return
    say(session.console, alarm_lines(watch, session.reader, session.clock.now()), plain=session.plain)


@app.command()
def ack(ctx: typer.Context, names: Names) -> None:
    """Say that somebody has seen alarms and sees to them: they are told no more."""
    session: Session = ctx.obj
    with _desk(session) as desk:
        _known(desk, names)
        changed = desk.acknowledge(names, getpass.getuser(), session.clock.now())
    _tell(session, [f"{alarm.name}, {alarm.spot.words}: acknowledged." for alarm in changed])


@app.command()
def aside(
    ctx: typer.Context,
    names: Names,
    until: Annotated[str, typer.Option(help="Until when: 06:30, 2h, 90min, or a date and time.")],
) -> None:
    """Set alarms aside until an hour; if they still stand then, they are told anew."""
    session: Session = ctx.obj
    now = session.clock.now()
    end = _until(session, until, now)
    with _desk(session) as desk:
        _known(desk, names)
        changed = desk.set_aside(names, end, getpass.getuser(), now)
    when = session.reader.clock(end, now)
    _tell(session, [f"{alarm.name}, {alarm.spot.words}: set aside until {when}." for alarm in changed])


@app.command()
def history(
    ctx: typer.Context,
    newest: Annotated[int, typer.Option("--newest", help="How many lines.", min=1, max=10_000)] = 40,
) -> None:
    """Show what happened, the last first, and how soon somebody answered."""
    session: Session = ctx.obj
    with _desk(session, read_only=True) as desk:
        lines = desk.history(newest)
    if session.json:
        session.console.print_json(json.dumps(history_json(lines)))
        return
    say(session.console, history_lines(lines, session.reader, session.clock.now()), plain=session.plain)


@app.command()
def messages(
    ctx: typer.Context,
    newest: Annotated[int, typer.Option("--newest", help="How many.", min=1, max=10_000)] = 20,
) -> None:
    """Show the newest messages: sent on which channel, waiting, expired, cancelled."""
    session: Session = ctx.obj
    file = open_alarm_file(alarm_path(session.store_path), read_only=True)
    if file is None:
        raise InputError(_NONE_YET)
    try:
        found = Outbox(file).all(newest)
    finally:
        file.close()
    if session.json:
        session.console.print_json(json.dumps(messages_json(found)))
        return
    say(session.console, message_lines(found, session.reader, session.clock.now()), plain=session.plain)


@contextmanager
def _desk(session: Session, *, read_only: bool = False) -> Iterator[Desk]:
    path = alarm_path(session.store_path)
    file = open_alarm_file(path, read_only=read_only) if path.exists() else None
    if file is None:
        raise InputError(_NONE_YET)
    try:
        yield desk_of(file, session.config)
    finally:
        file.close()


def _known(desk: Desk, names: list[str]) -> None:
    there = [alarm.name for alarm in desk.watch().alarms if alarm.number]
    for name in names:
        if name != "all" and name not in there:
            raise InputError(f"no alarm is called {name!r}; there are: {', '.join(there) or 'none'}")


def _until(session: Session, text: str, now: datetime) -> datetime:
    if match := _SPAN.fullmatch(text.strip()):
        hours = float(match[1]) / (1.0 if match[2] == "h" else 60.0)
        end = now + timedelta(hours=hours)
    else:
        end = coming_time(text, now, session.config.shed.zone, "--until")
    if end <= now:
        raise InputError(f"--until {text}: is past; name an hour to come")
    return end


def _tell(session: Session, lines: list[str]) -> None:
    if session.json:
        session.console.print_json(json.dumps({"schema": "layday/answered/1", "answered": lines}))
        return
    say(session.console, lines or ["Nothing to change: they are answered, or over."], plain=session.plain)
