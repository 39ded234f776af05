"""`layday demo`: the whole of layday on a simulated shed, live, in one command."""

import json
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from textwrap import indent
from types import FrameType
from typing import Annotated, Self

import typer

from dashboards.commands.watch import can_draw, screen_order
from dashboards.cure_view import cure_sentence
from dashboards.cure_view import headline as cure_headline
from dashboards.demo_shed import DemoShed, demo_shed
from dashboards.notify.alarm_file import AlarmFile, alarm_path, open_alarm_file
from dashboards.notify.alarm_view import messages_json
from dashboards.notify.outbox import Delivery, Outbox, State
from dashboards.session import Session
from dashboards.terminal.saying import sentence
from dashboards.view import bay_sentence, now_json
from dashboards.watch_program import draw
from forecast.outlook import Outlook
from forecast.outlook_book import OutlookBook, open_outlooks
from forecast.outlook_json import dump_outlook
from forecast.shed_now import ShedNow, shed_now

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
    with _stop_signals() as stop, ExitStack() as work:
        shed = work.enter_context(demo_shed(session, speed, seed))
        until_s = time.monotonic() + for_s if for_s else float("inf")
        if session.json:
            _show_json(shed, until_s, stop)
        elif session.plain or not can_draw():
            _show_plain(shed, until_s, stop)
        else:
            draw(screen_order(shed.session, every_s=_LOOK_EVERY_S, for_s=for_s), shed.clock, work.close)


def _look(shed: DemoShed) -> ShedNow:
    session = shed.session
    config = session.config
    return shed_now(shed.store, config.shed.name, config.sensors, session.limits, shed.clock.now())


class _Ahead:
    """The newest outlook of the demo's shed, read anew only when there is another."""

    def __init__(self, session: Session) -> None:
        self._path = session.outlook_path
        self._book: OutlookBook | None = None
        self._newest: Outlook | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._book is not None:
            self._book.close()

    def newest(self) -> Outlook | None:
        """Return it; None until the first is made."""
        self._book = self._book or open_outlooks(self._path, read_only=True)
        if self._book is not None and self._book.newest_at() != (self._newest and self._newest.issued_at):
            self._newest = self._book.newest()
        return self._newest


class Messages:
    """What the demo's shed tells people, each message once it has gone out."""

    def __init__(self, session: Session) -> None:
        self._path = alarm_path(session.store_path)
        self._file: AlarmFile | None = None
        self._shown: set[str] = set()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()

    def fresh(self) -> list[Delivery]:
        """Return what has gone out since the last look, the first first."""
        if self._file is None and self._path.exists():
            self._file = open_alarm_file(self._path, read_only=True)
        if self._file is None:
            return []
        sent = [one for one in reversed(Outbox(self._file).all()) if one.state is State.SENT]
        found = [one for one in sent if one.message.key not in self._shown]
        self._shown |= {one.message.key for one in found}
        return found


def _waits(until_s: float, stop: threading.Event) -> bool:
    """Wait for the next look; False when the demo is over."""
    return (
        not stop.wait(min(_LOOK_EVERY_S, max(0.0, until_s - time.monotonic()))) and time.monotonic() < until_s
    )


def _show_json(shed: DemoShed, until_s: float, stop: threading.Event) -> None:
    """Print a line of layday/now/1 at each look; of outlook and messages whenever there is another."""
    session = shed.session
    told: Outlook | None = None
    with _Ahead(session) as ahead, Messages(session) as messages:
        while True:
            now = _look(shed)
            session.console.out(json.dumps(now_json(now, session.reader)), highlight=False)
            if (newest := ahead.newest()) is not None and newest != told:
                told = newest
                session.console.out(dump_outlook(newest), highlight=False)
            if fresh := messages.fresh():
                session.console.out(json.dumps(messages_json(fresh)), highlight=False)
            if not _waits(until_s, stop):
                return


def _show_plain(shed: DemoShed, until_s: float, stop: threading.Event) -> None:
    """Print a sentence for each bay whose verdict or reasons change, and each message; never redraw."""
    session = shed.session
    session.console.print(f"{shed.past_readings} readings of the past are kept; live readings follow.")
    said: dict[str, object] = {}

    def tell(name: str, sort: object, words: str, at: datetime) -> None:
        if said.get(name) != sort:
            said[name] = sort
            session.console.print(f"{session.reader.clock(at, at)} {words}", soft_wrap=True, markup=False)

    with _Ahead(session) as ahead, Messages(session) as messages:
        while True:
            now = _look(shed)
            for bay in now.bays:
                causes = (bay.verdict, tuple((reason.quantity, reason.cause) for reason in bay.reasons))
                tell(bay.bay, causes, sentence(bay_sentence(bay, session.reader)), now.at)
            newest = ahead.newest()
            for cure in newest.cures if newest is not None else ():
                sort = (cure.verdict, cure.basis, cure_headline(cure))
                tell(cure.key, sort, sentence(cure_sentence(cure, session.reader)), now.at)
            for one in messages.fresh():
                session.console.print(_told(one), soft_wrap=True, markup=False)
            if not _waits(until_s, stop):
                return


def _told(one: Delivery) -> str:
    """Return a message as its reader gets it, set in from what layday says on the screen."""
    return indent(f"{one.message.head}\n{one.message.text}", "    ")


@contextmanager
def _stop_signals() -> Iterator[threading.Event]:
    """Turn Ctrl-C, SIGTERM and SIGHUP into an event, so that the demo takes itself down in good order."""
    stop = threading.Event()

    def on_signal(number: int, frame: FrameType | None) -> None:  # noqa: ARG001  Python's signature
        stop.set()

    numbers = [signal.SIGINT, signal.SIGTERM]
    if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # as nohup has it
        numbers.append(signal.SIGHUP)
    before = {number: signal.signal(number, on_signal) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
