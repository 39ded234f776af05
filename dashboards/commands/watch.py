"""`layday watch`: the live screen, or a sentence for each change."""

import json
import os
import sys
import threading
from typing import Annotated

import typer

from collector.clock import Clock
from collector.errors import InputError
from dashboards.cure_view import cure_sentence
from dashboards.session import Session
from dashboards.terminal.saying import sentence
from dashboards.terminal.signs import has_braille, speaks_utf8
from dashboards.view import bay_sentence, now_json
from dashboards.watch_feed import Looked, WatchFeed
from dashboards.watch_program import ScreenOrder, give_way
from dashboards.watch_view import Sight
from dashboards.watched_shed import WatchedShed, watched_shed
from forecast.outlook_json import outlook_json


def watch(
    ctx: typer.Context,
    every_s: Annotated[float, typer.Option("--every", help="Seconds between looks.", min=1, max=3600)] = 5,
    for_s: Annotated[float, typer.Option("--for", help="Stop after so many seconds; 0 stays.", min=0)] = 0,
    big: Annotated[bool, typer.Option("--big", help="Begin with one word and one number.")] = False,
) -> None:
    """Watch the shed: what comes first, bays, live cures, and the hours ahead. ? shows the keys.

    It only reads. With --plain it prints a sentence per change and never redraws.
    """
    session: Session = ctx.obj
    session.need_own_files()
    if session.plain or session.json:
        _print_changes(session, every_s, for_s)
        return
    give_way(screen_order(session, every_s=every_s, for_s=for_s, big=big))


def can_draw() -> bool:
    """Say whether there is a terminal to draw on and to hear keys from."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def screen_order(session: Session, *, every_s: float, for_s: float = 0.0, big: bool = False) -> ScreenOrder:
    """Return what the live screen is to show on this terminal, until `q` or until `for_s` [s] have passed.

    Raises
    ------
    InputError
        If there is no terminal.
    """
    if not can_draw():
        raise InputError("watch draws on a terminal; here use 'layday watch --plain' or 'layday now'")
    only_ascii = not speaks_utf8(os.environ)
    plain = only_ascii or not has_braille("utf-8", os.environ)
    shed = watched_shed(session)
    return ScreenOrder(shed, _looked(shed, session.clock), every_s, for_s, big, plain, only_ascii)


def _looked(shed: WatchedShed, clock: Clock) -> Looked | None:
    """Look closer where everything for it is loaded already; None where there is nothing to see yet."""
    feed = WatchFeed(shed, clock)
    feed.look()
    feed.close()
    return feed.looked


def _print_changes(session: Session, every_s: float, for_s: float) -> None:
    """Print each bay and cure when its verdict or its reasons change; with --json each whole outlook."""
    feed = WatchFeed(watched_shed(session), session.clock)
    said: dict[str, object] = {}
    stop = threading.Event()
    left_s = for_s or float("inf")
    try:
        while True:
            sight = feed.look()
            for name, sort, words in (
                _json_lines(session, sight) if session.json else _sentences(session, sight)
            ):
                if said.get(name) != sort:
                    said[name] = sort
                    session.console.out(words, highlight=False)
            left_s -= every_s
            if left_s <= 0.0:
                return
            stop.wait(min(every_s, left_s + every_s))
    except KeyboardInterrupt:
        return
    finally:
        feed.close()


def _sentences(session: Session, sight: Sight) -> list[tuple[str, object, str]]:
    """Return (what it is about, what must change for it to be said again, the sentence)."""
    at = session.reader.clock(sight.at, sight.at)
    if sight.now is None:
        return [("store", sight.trouble, f"{at} No news: {sight.trouble}")]
    found: list[tuple[str, object, str]] = [("store", "", f"{at} {sight.shed}: looking.")]
    for bay in sight.now.bays:
        sort = (bay.verdict, tuple((reason.quantity, reason.cause) for reason in bay.reasons))
        found.append((bay.bay, sort, f"{at} {sentence(bay_sentence(bay, session.reader))}"))
    for cure in sight.cures:
        stage = None if cure.state is None else (cure.state.stage, cure.state.stalled)
        found.append(
            (cure.key, (cure.verdict, stage), f"{at} {sentence(cure_sentence(cure, session.reader))}")
        )
    return found


def _json_lines(session: Session, sight: Sight) -> list[tuple[str, object, str]]:
    if sight.now is None:
        return []
    lines: list[tuple[str, object, str]] = [
        ("now", sight.now, json.dumps(now_json(sight.now, session.reader)))
    ]
    if sight.outlook is not None:
        lines.append(("outlook", sight.outlook.issued_at, json.dumps(outlook_json(sight.outlook))))
    return lines
