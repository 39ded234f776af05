"""The live screen's keys, and pictures of six of its screens.

After a change that is meant, LAYDAY_DRAW=1 draws the pictures anew; look at them before they are kept.
"""

import asyncio
import os
import re
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from collector.errors import StoreError
from collector.journal_book import Mark
from dashboards.cures import read_book
from dashboards.notify.alarm_file import alarm_path, open_alarm_file
from dashboards.notify.scene import Scene as Seen
from dashboards.notify.service import desk_of
from dashboards.notify.states import Standing
from dashboards.session import Session
from dashboards.terminal.render.watch import Look
from dashboards.terminal.screens.watch import WatchApp
from dashboards.watch_feed import WatchFeed
from dashboards.watched_shed import WatchedShed, watched_shed
from forecast.outlook_book import open_outlooks
from tests.dashboards.watching import AT, COLD_NIGHT, GOOD_DAY, Scene, watched

PICTURES = Path(__file__).parent / "pictures"
Do = Callable[[WatchApp, Pilot[None]], Awaitable[None]]


def run(session: Session, do: Do, size: tuple[int, int] = (80, 24)) -> WatchApp:
    """Run the app without a terminal, and do something with it."""
    app = WatchApp(WatchFeed(watched_shed(session), session.clock), every_s=600.0, look=Look())

    async def live() -> None:
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await do(app, pilot)

    asyncio.run(live())
    return app


def keys(*pressed: str) -> Do:
    async def press(app: WatchApp, pilot: Pilot[None]) -> None:
        for key in pressed:
            await pilot.press(key)
            await pilot.pause()

    return press


def board(app: WatchApp) -> str:
    return "\n".join(line.plain for line in app.drawn)


def test_views_come_and_go_with_their_keys(tmp_path: Path) -> None:
    async def walk(app: WatchApp, pilot: Pilot[None]) -> None:
        for key, view in (
            ("b", "big"),
            ("h", "hours"),
            ("h", "main"),
            ("question_mark", "help"),
            ("escape", "main"),
        ):
            await pilot.press(key)
            assert app.look.view == view
        await pilot.press("right")
        await pilot.press("right")
        assert app.look.shift_h == 12
        await pilot.press("left")
        assert app.look.shift_h == 6
        await pilot.press("t")
        await pilot.pause()
        assert app.sight.bay == "sheer"
        await pilot.press("u")
        assert "°F" in board(app)

    run(watched(tmp_path), walk)


def test_q_leaves() -> None:
    assert ("q", "quit", "quit") in WatchApp.BINDINGS


def test_no_key_needs_a_second_one() -> None:
    """Gloves: no key with ctrl, alt or shift but ?, which stands alone on many keyboards."""
    for binding in WatchApp.BINDINGS:
        assert isinstance(binding, tuple)
        assert len(binding) == 3
        assert "+" not in binding[0]
        assert binding[0] == binding[0].lower()


def test_gel_is_marked_with_two_keys(tmp_path: Path) -> None:
    session = watched(tmp_path)
    app = run(session, keys("g", "enter"))
    assert Mark.GEL in read_book(session).cure("k1").marks
    assert "k1: gel at 19:04" in app.look.message
    assert "gel" in board(app)


def test_escape_enters_nothing(tmp_path: Path) -> None:
    session = watched(tmp_path)
    app = run(session, keys("g", "escape"))
    assert not read_book(session).cure("k1").marks
    assert app.look.message == "Nothing entered."


def test_a_cure_starts_like_the_last_one(tmp_path: Path) -> None:
    session = watched(tmp_path)
    app = run(session, keys("c", "enter"))
    second = read_book(session).cure("k2")
    assert (second.batch.part, second.batch.catalyst_pct) == ("hull", 1.75)
    assert "k2: hull, keel" in app.look.message
    assert {cure.key for cure in app.sight.cures} == {"k1", "k2"}


def test_a_note_and_the_next_ply_are_entered(tmp_path: Path) -> None:
    session = watched(tmp_path)
    run(session, keys("n", "d", "r", "y", "enter", "p", "enter"))
    cure = read_book(session).cure("k1")
    assert [words for _, words in cure.notes] == ["dry"]
    assert Mark.NEXT_PLY in cure.marks


def test_what_makes_no_sense_is_said_and_nothing_is_entered(tmp_path: Path) -> None:
    session = watched(tmp_path, cure_h=None)
    app = run(session, keys("g"))
    assert app.look.message == "Not entered: no cure is live; c starts one"
    app = run(session, keys("c", "enter"))
    assert "Not entered" in app.look.message
    assert not read_book(session).cures


def test_seen_is_said_on_the_first_line(tmp_path: Path) -> None:
    app = run(watched(tmp_path, COLD_NIGHT), keys("a"))
    assert "OFF TRACK  k1 hull, keel  (seen)" in board(app)


def test_seen_answers_the_alarms_that_stand(tmp_path: Path) -> None:
    """A cure that will be late has been so for twenty minutes: its alarm stands until somebody presses a."""
    session = watched(tmp_path, COLD_NIGHT)
    outlooks = open_outlooks(session.outlook_path)
    file = open_alarm_file(alarm_path(session.store_path))
    assert outlooks is not None
    assert file is not None
    outlook = outlooks.newest()
    assert outlook is not None
    desk = desk_of(file, session.config)
    for minute in range(-20, 1):
        at = AT + timedelta(minutes=minute)
        desk.look(Seen(at, replace(outlook, issued_at=at)))
    raised = [alarm.name for alarm in desk.watch().alarms if alarm.is_live]
    assert raised
    app = run(session, keys("a"))
    assert f"Answered: {raised[0]}" in app.look.message
    standing = {alarm.standing for alarm in desk.watch().alarms if alarm.is_live}
    assert standing == {Standing.ACKNOWLEDGED}
    for opened in (outlooks, file):
        opened.close()


def test_a_store_that_goes_away_and_comes_back(tmp_path: Path) -> None:
    session = watched(tmp_path)
    away = tmp_path / "away.sqlite"

    async def lose_and_find(app: WatchApp, pilot: Pilot[None]) -> None:
        app.close_files()
        session.store_path.rename(away)
        await app.look_again()
        await pilot.pause()
        assert "NO NEWS" in board(app)
        away.rename(session.store_path)
        await app.look_again()
        await pilot.pause()
        assert "NO NEWS" not in board(app)

    run(session, lose_and_find)


def test_nothing_is_drawn_anew_while_nothing_changes(tmp_path: Path) -> None:
    async def idle(app: WatchApp, pilot: Pilot[None]) -> None:
        drawn = app.drawings
        for _ in range(5):
            await app.look_again()
            await pilot.pause()
        assert app.drawings == drawn

    run(watched(tmp_path), idle)


def test_the_line_takes_letters_that_are_keys_elsewhere(tmp_path: Path) -> None:
    async def write(app: WatchApp, pilot: Pilot[None]) -> None:
        await pilot.press("n", "q", "b", "u")
        assert app.query_one(Input).value.endswith("qbu")
        assert app.look.view == "main"

    run(watched(tmp_path), write)


@pytest.mark.parametrize(
    ("name", "scene", "size", "pressed"),
    [
        ("good-day", GOOD_DAY, (80, 24), ()),
        ("night-at-risk", COLD_NIGHT, (120, 40), ()),
        ("narrow", COLD_NIGHT, (50, 20), ()),
        ("big", COLD_NIGHT, (80, 24), ("b",)),
        ("hours", GOOD_DAY, (80, 24), ("h",)),
        ("keys", GOOD_DAY, (80, 24), ("question_mark",)),
    ],
)
def test_it_looks_as_it_did(
    tmp_path: Path, name: str, scene: Scene, size: tuple[int, int], pressed: tuple[str, ...]
) -> None:
    found: list[str] = []

    async def picture(app: WatchApp, pilot: Pilot[None]) -> None:
        await keys(*pressed)(app, pilot)
        found.append(app.export_screenshot(title="layday watch"))

    run(watched(tmp_path, scene), picture, size)
    file = PICTURES / f"{name}.svg"
    drawn = _without_ids(found[0])
    if os.environ.get("LAYDAY_DRAW"):
        file.parent.mkdir(exist_ok=True)
        file.write_text(drawn, encoding="utf-8")
    assert file.read_text(encoding="utf-8") == drawn, f"{file.name} differs; LAYDAY_DRAW=1 draws it anew"


def _without_ids(svg: str) -> str:
    """Take out what differs from run to run, and the web fonts that a viewer would fetch."""
    svg = re.sub(r"terminal-\d+", "terminal", svg)
    return re.sub(r"@font-face \{.*?\}", "", svg, flags=re.DOTALL)


def test_a_feed_over_a_store_that_breaks_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = watched(tmp_path)

    def broken(*_: object, **__: object) -> None:
        raise StoreError("the disk is gone; check its cable")

    monkeypatch.setattr(WatchedShed, "open_store", broken)
    app = run(session, keys())
    assert app.sight.trouble == "the disk is gone; check its cable"
    assert "the disk is gone; check its cable" in board(app)
