"""The live screen has things looked up by a process that ends: it says what one that stays would."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from collector.domain import Flag, Reading
from collector.errors import StoreError
from collector.journal import Told, open_journal
from collector.store.opening import open_store
from dashboards.closer_look import Answer, Question, closer_look, look_in_a_process
from dashboards.terminal.render.watch import Look, watch_lines
from dashboards.watch_feed import WatchFeed
from dashboards.watched_shed import WatchedShed, watched_shed
from forecast.shed_now import shed_now
from tests.dashboards.watching import AT, BATCH, GOOD_DAY, watched

EVERYTHING = Question(AT, ("keel", "sheer"), ("keel.air_c", "sheer.part_c"), cures=True)


class Counted:
    """A closer look that counts how often it is asked for."""

    def __init__(self) -> None:
        self.asked: list[Question] = []

    def __call__(self, shed: WatchedShed, question: Question) -> Answer:
        self.asked.append(question)
        return closer_look(shed, question)


def test_a_process_of_its_own_says_the_same(tmp_path: Path) -> None:
    shed = watched_shed(watched(tmp_path, GOOD_DAY))
    answer = look_in_a_process(shed, EVERYTHING)
    assert answer == closer_look(shed, EVERYTHING)
    assert {course.quantity for course in answer.pasts[0].courses} == {
        *("air_c", "part_c", "humidity_pct", "dew_point_c"),
    }
    assert [known.sensor for known in answer.known] == ["keel.air_c", "sheer.part_c"]
    assert [cure.key for cure in answer.cures] == ["k1"]


def test_silent_and_suspect_sensors_are_judged_as_from_the_whole_store(tmp_path: Path) -> None:
    """One sensor's last word has moved into chunks, another is stuck: rows alone know neither."""
    session = watched(tmp_path, GOOD_DAY)
    store = open_store(session.store_path)
    stuck = [AT + timedelta(minutes=minutes) for minutes in range(1, 8 * 60, 7)]
    store.add([Reading("keel.part_c", at, 21.7, at, Flag.STUCK) for at in stuck])
    store.compact(AT + timedelta(hours=8))
    at = stuck[-1]
    session.clock.set(at)  # type: ignore[attr-defined]
    shed = watched_shed(session)
    feed = WatchFeed(shed, session.clock)
    sight = feed.look()
    feed.close()
    sensors = {sensor.name: sensor for sensor in shed.sensors}
    assert sight.now == shed_now(store, shed.name, sensors, shed.limits, at)
    assert sight.now is not None
    keel = next(bay for bay in sight.now.bays if bay.bay == "keel")
    assert keel.air_c is not None  # silent for eight hours, and still told
    assert any(reason.suspect_s == (at - stuck[0]).total_seconds() for reason in keel.reasons)
    store.close()


def test_it_is_asked_for_again_only_where_something_else_is_asked_or_it_is_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = watched(tmp_path, GOOD_DAY)
    counted = Counted()
    feed = WatchFeed(watched_shed(session), session.clock, counted)
    before = feed.look()
    assert feed.look("sheer").past != before.past
    assert len(counted.asked) == 1
    assert not counted.asked[0].cures  # the outlook has them
    monkeypatch.setattr("dashboards.watch_feed.CLOSER_LEAST_S", 0.0)
    session.clock.set(AT + timedelta(minutes=4))  # type: ignore[attr-defined]
    feed.look()
    assert len(counted.asked) == 1
    journal = open_journal(session.journal_path)
    assert journal is not None
    journal.start(replace(BATCH, bay="sheer"), Told(AT + timedelta(minutes=4), AT + timedelta(minutes=4)))
    journal.close()
    assert [cure.key for cure in feed.look().cures] == ["k1", "s2"]
    assert len(counted.asked) == 2
    session.clock.set(AT + timedelta(minutes=9))  # type: ignore[attr-defined]
    feed.look()
    assert len(counted.asked) == 3
    feed.close()


def test_trouble_with_it_is_told_and_hides_no_verdict(tmp_path: Path) -> None:
    session = watched(tmp_path, GOOD_DAY)
    shed = watched_shed(session)

    def broken(_shed: WatchedShed, _question: Question) -> Answer:
        return look_in_a_process(replace(shed, store_file=str(tmp_path / "none.sqlite")), EVERYTHING)

    feed = WatchFeed(shed, session.clock, broken)
    sight = feed.look()
    feed.close()
    lines = [line.plain for line in watch_lines(sight, Look(), session.reader, 120, 40)]
    assert lines[1] == "  + GO  every bay"
    assert "No chart" in " ".join(lines)
    assert "there is no store yet" in " ".join(lines)


def test_a_process_that_cannot_answer_is_trouble_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shed = watched_shed(watched(tmp_path, GOOD_DAY))
    with pytest.raises(StoreError, match="does not exist; --config names it"):
        look_in_a_process(replace(shed, config=str(tmp_path / "none.toml")), EVERYTHING)
    monkeypatch.setattr("dashboards.closer_look._PATIENCE_S", 0.001)
    with pytest.raises(StoreError, match="took longer than"):
        look_in_a_process(shed, EVERYTHING)
    monkeypatch.setattr("dashboards.closer_look._CODE", "1 / 0")
    monkeypatch.setattr("dashboards.closer_look._PATIENCE_S", 60.0)
    with pytest.raises(StoreError, match="'layday check' may say why"):
        look_in_a_process(shed, EVERYTHING)
