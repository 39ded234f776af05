"""`layday notify test`: send one message on each channel, and say what came back."""

import json
from typing import Annotated

import typer

from collector.config import Config
from collector.errors import InputError
from collector.notify_config import ChannelConfig
from dashboards.notify.channels import open_sender
from dashboards.notify.message import Weight
from dashboards.notify.sender import Answer, Outcome, Outgoing
from dashboards.session import Session
from dashboards.terminal.saying import say

app = typer.Typer(help="Messages: try the channels.")
_CANNOT = 3


@app.callback()
def notify() -> None:
    """Messages: try the channels."""


@app.command("test")
def try_channels(
    ctx: typer.Context,
    channel: Annotated[str | None, typer.Argument(help="A channel's name; without one, all.")] = None,
) -> None:
    """Send one message on each channel, now, and say what came back; exit 3 where one was not sent."""
    session: Session = ctx.obj
    found = []
    for one in _chosen(session.config, channel):
        answer = _sent(one, session)
        found.append(
            {"channel": one.name, "kind": one.kind, "outcome": answer.outcome.value, "said": answer.words}
        )
        if not session.json:
            words = "sent" if answer.outcome is Outcome.SENT else "NOT sent"
            say(session.console, [f"{one.name} ({one.kind}): {words}: {answer.words}"], plain=session.plain)
    if session.json:
        session.console.print_json(json.dumps({"schema": "layday/notify-test/1", "channels": found}))
    if any(one["outcome"] != Outcome.SENT.value for one in found):
        raise typer.Exit(_CANNOT)


def _chosen(config: Config, name: str | None) -> list[ChannelConfig]:
    if not config.channel:
        raise InputError("no [[channel]] is configured; 'layday check --settings' shows what one needs")
    chosen = [one for one in config.channel if name in (None, one.name)]
    if not chosen:
        there = ", ".join(one.name for one in config.channel)
        raise InputError(f"no channel is called {name!r}; there are: {there}")
    return chosen


def _sent(channel: ChannelConfig, session: Session) -> Answer:
    at, shed = session.clock.now(), session.config.shed.name
    sender = open_sender(channel, session.config)
    try:
        return sender.send(
            Outgoing(
                key=f"test-{at:%Y%m%dT%H%M%S}",
                thread="test",
                shed=shed,
                head=f"{shed}: a test, nothing is wrong",
                text=f"Sent at {session.reader.clock(at, at)} by 'layday notify test'. "
                "If you read this, messages reach you here.",
                weight=Weight.USUAL,
                at=at,
            )
        )
    finally:
        sender.close()
