"""A store that cannot take a batch: tried ever more seldom, said once, named whatever it says."""

import threading
from collections.abc import Sequence

import pytest

from collector.clock import ManualClock
from collector.domain import Reading, Rejected
from collector.errors import StoreFullError
from collector.intake import Intake
from collector.payload import build_routes
from collector.store.base import Added, Mark
from collector.store.memory import MemoryStore
from tests.collector.test_intake import ENTRY, NOW, RecordingSource, message, until


class NoPatience(threading.Event):
    """Notes how long it was to wait, and does not."""

    def __init__(self) -> None:
        super().__init__()
        self.waits_s: list[float | None] = []

    def wait(self, timeout: float | None = None) -> bool:
        self.waits_s.append(timeout)
        return self.is_set()


def test_a_full_disk_is_tried_ever_more_seldom_and_said_once(caplog: pytest.LogCaptureFixture) -> None:
    """A card that is full for a night must be neither worn nor buried in its own log."""

    class FullForSevenTries(MemoryStore):
        tries = 7

        def add(
            self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
        ) -> Added:
            if self.tries:
                self.tries -= 1
                raise StoreFullError("no space left on the card")
            return super().add(readings, rejected, marks)

    store = FullForSevenTries()
    intake = Intake(store, build_routes([ENTRY]), ManualClock(NOW))
    intake._stopping = event = NoPatience()
    intake.start()
    source = RecordingSource(store)
    intake.sink(source).messages([message(1)])
    until(lambda: source.acknowledged == [1])
    intake.stop()
    assert event.waits_s == [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0]
    assert [record.getMessage() for record in caplog.records] == [
        "nothing is acknowledged until this is mended: no space left on the card",
        "the store takes readings again",
    ]


def test_an_error_without_words_is_named_by_its_kind() -> None:
    class Mute(MemoryStore):
        def add(
            self, readings: Sequence[Reading], rejected: Sequence[Rejected] = (), marks: Sequence[Mark] = ()
        ) -> Added:
            raise ZeroDivisionError

    intake = Intake(Mute(), build_routes([ENTRY]), ManualClock(NOW))
    intake.start()
    intake.sink(RecordingSource(MemoryStore())).messages([message(1)])
    until(lambda: intake.status().trouble == "ZeroDivisionError")
    intake.stop()
