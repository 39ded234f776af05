"""The live screen has things looked up by a process that ends: it says what one that stays would."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from collector.domain import Flag, Reading
from collector.errors import StoreError
from collector.journal import Told, open_journal
from collector.store.opening import open_store
from dashboards import closer_look as closer_module
from dashboards.closer_look import PATIENCE_S, Answer, LookHere, LookInAProcess, Question, closer_look
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

    def __call__(self, shed: WatchedShed, question: Question) -> LookHere:
        self.asked.append(question)
        return LookHere(shed, question)


class Slow:
    """Closer looks that take as many questions as they are told to."""

    def __init__(self) -> None:
        self.looks: list[Slow.Look] = []

    def __call__(self, shed: WatchedShed, question: Question) -> "Slow.Look":
        self.looks.append(Slow.Look(shed, question))
        return self.looks[-1]

    class Look:
        """One of them; it notes how long one would have waited."""

        def __init__(self, shed: WatchedShed, question: Question) -> None:
            self.shed, self.question = shed, question
            self.waits_s: list[float] = []
            self.is_done = self.is_stopped = False

        def answer(self, wait_s: float) -> Answer | None:
            self.waits_s.append(wait_s)
            # Who waits for a minute has an answer.
            return closer_look(self.shed, self.question) if self.is_done or wait_s >= PATIENCE_S else None

        def stop(self) -> None:
            self.is_stopped = True


def test_a_process_of_its_own_says_the_same(tmp_path: Path) -> None:
    shed = watched_shed(watched(tmp_path, GOOD_DAY))
    answer = LookInAProcess(shed, EVERYTHING).answer(PATIENCE_S)
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

    def broken(_shed: WatchedShed, _question: Question) -> LookInAProcess:
        return LookInAProcess(replace(shed, store_file=str(tmp_path / "none.sqlite")), EVERYTHING)

    feed = WatchFeed(shed, session.clock, broken)
    sight = feed.look()
    feed.close()
    lines = [line.plain for line in watch_lines(sight, Look(), session.reader, 120, 40)]
    assert lines[1] == "  + GO  every bay"
    assert "No chart" in " ".join(" ".join(lines).split())
    assert "there is no store yet" in " ".join(" ".join(lines).split())


def test_a_process_that_cannot_answer_is_trouble_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shed = watched_shed(watched(tmp_path, GOOD_DAY))
    with pytest.raises(StoreError, match="does not exist; --config names it"):
        LookInAProcess(replace(shed, config=str(tmp_path / "none.toml")), EVERYTHING).answer(PATIENCE_S)
    monkeypatch.setattr("dashboards.closer_look._CODE", "1 / 0")
    with pytest.raises(StoreError, match="'layday check' may say why"):
        LookInAProcess(shed, EVERYTHING).answer(PATIENCE_S)


def test_a_process_that_takes_long_is_asked_again_and_given_up_after_a_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A look that reads its question late, as from a disk that is ill; the minute is made short."""
    shed = watched_shed(watched(tmp_path, GOOD_DAY))
    late = "import time; time.sleep(1.5); " + closer_module._CODE
    monkeypatch.setattr("dashboards.closer_look._CODE", late)
    look = LookInAProcess(shed, EVERYTHING)
    assert look.answer(0.2) is None
    assert look.answer(PATIENCE_S) == closer_look(shed, EVERYTHING)
    monkeypatch.setattr("dashboards.closer_look.PATIENCE_S", 0.5)
    ill = LookInAProcess(shed, EVERYTHING)
    with pytest.raises(StoreError, match="is the disk well"):
        ill.answer(0.6)
    assert ill._process is not None
    assert ill._process.poll() is not None


def test_what_is_looked_up_anew_is_not_waited_for_and_what_is_asked_anew_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session, slow = watched(tmp_path, GOOD_DAY), Slow()
    monkeypatch.setattr("dashboards.watch_feed.CLOSER_LEAST_S", 0.0)
    feed = WatchFeed(watched_shed(session), session.clock, slow)
    first = feed.look()
    assert slow.looks[0].waits_s == [PATIENCE_S]
    session.clock.set(AT + timedelta(minutes=6))  # type: ignore[attr-defined]
    assert feed.look().past == first.past
    assert feed.look().past == first.past
    assert len(slow.looks) == 2
    assert all(wait_s <= 2.0 for wait_s in slow.looks[1].waits_s)
    slow.looks[1].is_done = True
    feed.look()
    assert feed.looked is not None
    assert feed.looked.question.at == AT + timedelta(minutes=6)
    session.clock.set(AT + timedelta(minutes=12))  # type: ignore[attr-defined]
    feed.look()
    journal = open_journal(session.journal_path)
    assert journal is not None
    journal.start(replace(BATCH, bay="sheer"), Told(AT + timedelta(minutes=12), AT + timedelta(minutes=12)))
    journal.close()
    assert [cure.key for cure in feed.look().cures] == ["k1", "s2"]
    session.clock.set(AT + timedelta(minutes=18))  # type: ignore[attr-defined]
    feed.look()
    feed.close()
    assert slow.looks[-1].is_stopped
