"""`layday demo`: the whole of layday on a simulated shed, live, in one command."""

import json
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from types import FrameType
from typing import Annotated

import typer
from rich.console import Group
from rich.live import Live
from rich.text import Text

from dashboards.demo_shed import DemoShed, demo_shed
from dashboards.session import Session
from dashboards.terminal.palette import QUIET
from dashboards.terminal.render.now import now_text
from dashboards.view import bay_sentence, now_json
from forecast.outlook import ShedNow, shed_now

_LOOK_EVERY_S = 1.0


def demo(
    ctx: typer.Context,
    for_s: Annotated[float, typer.Option("--for", help="Stop after so many seconds; 0 runs on.", min=0)] = 0,
    speed: Annotated[float, typer.Option(help="Shed time per real time.", min=1, max=600)] = 60,
    seed: Annotated[int, typer.Option(help="Which simulated shed.", min=0)] = 7,
) -> None:
    """Run a simulated shed over real MQTT and say per bay whether it is fit to glass. Ctrl-C stops it.

    A 7.5 m day boat hull lies upside down on its mould in a poly tunnel; bay keel is high and
    warm, bay sheer low and cold. The weather and the readings are invented.
    """
    session: Session = ctx.obj
    if not session.json:
        session.console.print("Simulating two weeks of a shed's past …", soft_wrap=True)
    with _stop_signals() as stop, demo_shed(speed, seed) as shed:
        session = replace(session, config=shed.config, config_path=shed.config_path, clock=shed.clock)
        until_s = time.monotonic() + for_s if for_s else float("inf")
        if session.json:
            _show_json(session, shed, until_s, stop)
        elif session.plain:
            _show_plain(session, shed, until_s, stop)
        else:
            _show_live(session, shed, until_s, stop, speed)


def _look(session: Session, shed: DemoShed) -> ShedNow:
    return shed_now(shed.store, shed.config.shed.name, shed.config.sensors, session.limits, shed.clock.now())


def _waits(until_s: float, stop: threading.Event) -> bool:
    """Wait for the next look; False when the demo is over."""
    return (
        not stop.wait(min(_LOOK_EVERY_S, max(0.0, until_s - time.monotonic()))) and time.monotonic() < until_s
    )


def _show_json(session: Session, shed: DemoShed, until_s: float, stop: threading.Event) -> None:
    """Print one line of layday/now/1 at each look."""
    while True:
        now = _look(session, shed)
        session.console.out(json.dumps(now_json(now, session.reader)), highlight=False)
        if not _waits(until_s, stop):
            return


def _show_plain(session: Session, shed: DemoShed, until_s: float, stop: threading.Event) -> None:
    """Print a sentence for each bay whose verdict or reasons change; never redraw."""
    session.console.print(f"{shed.past_readings} readings of the past are kept; live readings follow.")
    said: dict[str, object] = {}
    while True:
        now = _look(session, shed)
        for bay in now.bays:
            causes = (bay.verdict, tuple((reason.quantity, reason.cause) for reason in bay.reasons))
            if said.get(bay.bay) != causes:
                said[bay.bay] = causes
                at = session.reader.clock(now.at, now.at)
                session.console.print(f"{at} {bay_sentence(bay, session.reader)}", soft_wrap=True)
        if not _waits(until_s, stop):
            return


def _show_live(session: Session, shed: DemoShed, until_s: float, stop: threading.Event, speed: float) -> None:
    """Redraw the shed once a second."""
    foot = Text(f"Simulated shed, {speed:g} times as fast as life. Ctrl-C stops it.", style=QUIET)
    with Live(console=session.console, auto_refresh=False, transient=False) as live:
        while True:
            now = _look(session, shed)
            picture = now_text(now, session.reader, session.console.width)
            live.update(Group(picture, Text(), foot), refresh=True)
            if not _waits(until_s, stop):
                return


@contextmanager
def _stop_signals() -> Iterator[threading.Event]:
    """Turn Ctrl-C and SIGTERM into an event, so that the demo takes itself down in good order."""
    stop = threading.Event()

    def on_signal(number: int, frame: FrameType | None) -> None:  # noqa: ARG001  Python's signature
        stop.set()

    before = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
