"""`layday forward`: how copying to the central store goes, and what it refused."""

import json
from datetime import UTC, datetime
from typing import Annotated

import typer

from collector.clock import SystemClock, from_us
from collector.errors import InputError
from collector.forward.forwarder import STATE_KEY
from collector.forward.sender import Sender
from collector.forward.spool import Backlog, Spool
from dashboards.forwarding import forward_address
from dashboards.session import Session
from dashboards.terminal.saying import say

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="Copying to the yard's central store.")
_EXIT_WAITS = 10
_SILENT_S = 90.0


@app.command()
def status(ctx: typer.Context) -> None:
    """Say whether readings reach the central store, what waits, and what was refused.

    Exit codes: 0 all is well, 10 nothing goes through at the moment (everything is kept).
    """
    session: Session = ctx.obj
    _check_configured(session)
    with Spool(session.store_path, read_only=True) as spool:
        backlog = spool.backlog()
        word = spool.read_state(STATE_KEY)
        left_at = spool.state_at(STATE_KEY)
    now = session.clock.now()
    told = json.loads(word) if word else {}
    trouble = _trouble(told, left_at, now)
    if session.json:
        answer = {
            "schema": "layday/forward/1",
            "at": f"{now.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
            "address": str(forward_address(session.config)),
            "trouble": trouble,
            "sent_count": told.get("sent_count", 0),
            "last_sent_at": _last_sent_at(told),
            "waiting": {
                "readings": backlog.readings,
                "stretches": backlog.stretches,
                "oldest_at": None if backlog.oldest_us is None else _iso(backlog.oldest_us),
            },
            "dead_letters": backlog.dead_letters,
        }
        session.console.print_json(json.dumps(answer))
    else:
        say(session.console, _lines(session, told, backlog, trouble), plain=session.plain)
    raise typer.Exit(_EXIT_WAITS if trouble else 0)


@app.command()
def refused(
    ctx: typer.Context,
    retry: Annotated[bool, typer.Option("--retry", help="Send them once more.")] = False,
) -> None:
    """Show the lines that the central store refused for good, newest first, each with its reason."""
    session: Session = ctx.obj
    _check_configured(session)
    with Spool(session.store_path, read_only=not retry) as spool:
        letters = spool.dead_letters()
        if retry:
            address = forward_address(session.config)
            sender = Sender(address, session.config.forward.access, session.config.forward.org, SystemClock())
            again = {item.line for item in sender.send([letter.line for letter in letters])}
            spool.forget([letter for letter in letters if letter.line not in again])
            letters = [letter for letter in letters if letter.line in again]
    if session.json:
        listed = [
            {
                "id": one.id,
                "at": _iso(one.at_us),
                "status": one.status,
                "reason": one.reason,
                "line": one.line,
            }
            for one in letters
        ]
        session.console.print_json(json.dumps({"schema": "layday/refused/1", "lines": listed}))
        return
    for letter in letters:
        at = session.reader.clock(from_us(letter.at_us), session.clock.now())
        session.console.print(f"{at} {letter.status} {letter.reason}", soft_wrap=True, markup=False)
        session.console.print(f"  {letter.line}", soft_wrap=True, markup=False)
    if not letters:
        session.console.print("Nothing was refused." if not retry else "All of them are stored now.")


def _iso(at_us: int) -> str:
    return from_us(at_us).isoformat().replace("+00:00", "Z")


def _last_sent_at(told: dict[str, object]) -> str | None:
    at = told.get("last_sent_at")
    return None if at is None else str(at).replace("+00:00", "Z")


def _check_configured(session: Session) -> None:
    if not session.config.forward.address:
        raise InputError(
            "forward.address is not set: nothing is copied anywhere; "
            'write [forward] address = "influx://HOST:8086/BUCKET" in the configuration'
        )


def _trouble(told: dict[str, object], left_at: datetime | None, now: datetime) -> str:
    if left_at is None:
        return "'layday run' has not forwarded anything yet"
    silent_s = (now - left_at).total_seconds()
    if silent_s > _SILENT_S:
        return f"the forwarder has left no word for {silent_s:.0f} s: is 'layday run' at work?"
    return str(told.get("trouble") or "")


def _lines(session: Session, told: dict[str, object], backlog: Backlog, trouble: str) -> list[str]:
    now, clock = session.clock.now(), session.reader.clock
    lines = [f"To {forward_address(session.config)}."]
    if trouble:
        since = told.get("trouble_since")
        when = f" (since {clock(datetime.fromisoformat(str(since)), now)})" if since else ""
        lines.append(f"! Nothing goes through{when}, everything is kept: {trouble}")
    elif told.get("last_sent_at"):
        last = clock(datetime.fromisoformat(str(told["last_sent_at"])), now)
        lines.append(f"Last taken there at {last}; {told['sent_count']} since the forwarder started.")
    if backlog.oldest_us is None:
        lines.append("Nothing waits.")
    else:
        oldest = clock(from_us(backlog.oldest_us), now)
        lines.append(f"{backlog.readings} readings wait, the oldest of {oldest}.")
    if backlog.dead_letters:
        lines.append(
            f"! {backlog.dead_letters} lines were refused for good; 'layday forward refused' shows them."
        )
    return lines
