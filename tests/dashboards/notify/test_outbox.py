"""The outbox: nothing twice, nothing stale, the urgent first, the next channel where one fails."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from collector.clock import ManualClock
from collector.config import Config
from collector.errors import StoreError
from dashboards.commands.demo import Messages
from dashboards.notify.alarm_file import AlarmFile, alarm_path, open_alarm_file
from dashboards.notify.courier import Courier, Letterhead
from dashboards.notify.message import Message, Weight
from dashboards.notify.outbox import Outbox, State, cancel, put
from dashboards.notify.sender import Answer, Limits, Outcome, Outgoing
from dashboards.session import Session
from dashboards.view import Reader
from tests.dashboards.notify.support import MIDNIGHT

DESK = Letterhead("tunnel", Reader())
MESSAGE = Message(
    "one", "k1", "head", "text", Weight.USUAL, MIDNIGHT, MIDNIGHT + timedelta(hours=2), alarms=("a1",)
)


class Recorder:
    """A way of sending that answers as it is told; it keeps what it was given."""

    limits = Limits(100, 1000)

    def __init__(self, *answers: Outcome) -> None:
        self.answers = list(answers)
        self.got: list[Outgoing] = []

    def send(self, outgoing: Outgoing) -> Answer:
        self.got.append(outgoing)
        return Answer(self.answers.pop(0) if self.answers else Outcome.SENT, "as told")

    def close(self) -> None:
        pass


@pytest.fixture
def file(tmp_path: Path) -> Iterator[AlarmFile]:
    """An empty file of alarms."""
    found = open_alarm_file(tmp_path / "a.sqlite")
    assert found is not None
    yield found
    found.close()


def post(file: AlarmFile, *messages: Message, people: tuple[int, ...] = (0,)) -> None:
    with file.writing() as con:
        for message in messages:
            put(con, message, people)


def courier(file: AlarmFile, clock: ManualClock, **ways: Recorder) -> Courier:
    return Courier(Outbox(file), 0, list(ways.items()), clock, DESK, Random(1))


def test_a_message_goes_once(file: AlarmFile) -> None:
    way, clock = Recorder(), ManualClock(MIDNIGHT)
    post(file, MESSAGE)
    post(file, MESSAGE)
    by = courier(file, clock, push=way)
    assert by.once()
    assert not by.once()
    assert [one.key for one in way.got] == ["one"]
    (delivery,) = Outbox(file).all()
    assert (delivery.state, delivery.channel, delivery.tries) == (State.SENT, "push", 1)


def test_the_next_channel_takes_what_the_first_does_not(file: AlarmFile) -> None:
    first, second = Recorder(Outcome.LATER), Recorder()
    post(file, MESSAGE)
    courier(file, ManualClock(MIDNIGHT), push=first, mail=second).once()
    assert (len(first.got), len(second.got)) == (1, 1)
    assert Outbox(file).all()[0].channel == "mail"


def test_what_no_channel_takes_waits_longer_each_time(file: AlarmFile) -> None:
    way, clock = Recorder(*[Outcome.LATER] * 5), ManualClock(MIDNIGHT)
    post(file, MESSAGE)
    by = courier(file, clock, push=way)
    times = []
    for _ in range(7200):
        if by.once():
            times.append(clock.now())
        clock.advance(timedelta(seconds=1))
    waits = [(b - a).total_seconds() for a, b in pairwise(times)]
    assert len(waits) == 5
    assert waits[0] <= 15
    assert waits[-1] >= 60


def test_what_is_refused_by_all_is_given_up(file: AlarmFile) -> None:
    way = Recorder(Outcome.REFUSED)
    post(file, MESSAGE)
    courier(file, ManualClock(MIDNIGHT), push=way).once()
    assert Outbox(file).all()[0].state is State.REFUSED


def test_a_channel_that_refused_is_not_asked_again(file: AlarmFile) -> None:
    refuses, busy, clock = Recorder(Outcome.REFUSED), Recorder(Outcome.LATER), ManualClock(MIDNIGHT)
    post(file, MESSAGE)
    by = courier(file, clock, push=refuses, mail=busy)
    by.once()
    clock.advance(timedelta(minutes=5))
    by.once()
    assert (len(refuses.got), len(busy.got)) == (1, 2)


def test_what_is_worth_nothing_any_more_expires(file: AlarmFile) -> None:
    way, clock = Recorder(), ManualClock(MIDNIGHT + timedelta(hours=3))
    post(file, MESSAGE)
    courier(file, clock, push=way).once()
    assert not way.got
    assert Outbox(file).all()[0].state is State.EXPIRED


def test_the_urgent_goes_first_and_the_held_waits(file: AlarmFile) -> None:
    way, clock = Recorder(), ManualClock(MIDNIGHT)
    held = replace(MESSAGE, key="held", hold_until=MIDNIGHT + timedelta(hours=1))
    post(file, MESSAGE, replace(MESSAGE, key="two", weight=Weight.URGENT), held)
    by = courier(file, clock, push=way)
    while by.once():
        pass
    assert [one.key for one in way.got] == ["two", "one"]
    clock.advance(timedelta(hours=1))
    by.once()
    assert way.got[-1].key == "held"


def test_what_was_being_sent_is_taken_up_again_under_its_name(file: AlarmFile) -> None:
    post(file, MESSAGE)
    outbox = Outbox(file)
    assert outbox.due(0, MIDNIGHT) is not None  # and here layday is killed
    assert outbox.due(0, MIDNIGHT) is None
    outbox.restart(0)
    again = outbox.due(0, MIDNIGHT)
    assert again is not None
    assert again.message.key == "one"


def test_cleared_cancels_what_is_unsent_and_knows_who_was_told(file: AlarmFile) -> None:
    post(file, MESSAGE, people=(0, 1))
    courier(file, ManualClock(MIDNIGHT), push=Recorder()).once()
    with file.writing() as con:
        assert cancel(con, "a1", MIDNIGHT) == ({0}, {1})
    assert {one.person: one.state for one in Outbox(file).all()} == {0: State.SENT, 1: State.CANCELLED}


def test_a_late_message_says_so(file: AlarmFile) -> None:
    way, clock = Recorder(Outcome.LATER), ManualClock(MIDNIGHT)
    post(file, MESSAGE)
    by = courier(file, clock, push=way)
    by.once()
    clock.advance(timedelta(hours=1))
    by.once()
    assert way.got[0].text == "text"
    assert way.got[1].text.startswith("LATE: written at 00:00, could not be sent for 1 h")


def test_the_demo_shows_each_message_once_it_has_gone_out(tmp_path: Path) -> None:
    session = Session(Config.model_validate({"store": {"path": str(tmp_path / "s.sqlite")}}), None)
    with Messages(session) as messages:
        assert messages.fresh() == []
        file = open_alarm_file(alarm_path(session.store_path))
        assert file is not None
        post(file, MESSAGE, replace(MESSAGE, key="two"))
        assert messages.fresh() == []
        assert courier(file, ManualClock(MIDNIGHT), mail=Recorder()).once()
        assert [one.message.key for one in messages.fresh()] == ["one"]
        assert messages.fresh() == []
        file.close()


def test_old_messages_are_let_go(file: AlarmFile) -> None:
    post(file, MESSAGE)
    Outbox(file).tidy(MIDNIGHT + timedelta(days=40))
    assert Outbox(file).all() == []


def test_another_programs_file_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "x.sqlite").write_bytes(b"")
    other = open_alarm_file(tmp_path / "y.sqlite")
    assert other is not None
    with other.writing() as con:
        con.execute("PRAGMA application_id = 1")
    other.close()
    with pytest.raises(StoreError, match="holds no alarms of layday"):
        open_alarm_file(tmp_path / "y.sqlite")
    assert open_alarm_file(tmp_path / "none.sqlite", read_only=True) is None
