"""Marks of old messages let go: a season of them must not fill the card, and deleting must not wear it."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from pathlib import Path

import pytest

from collector.store.base import Mark
from collector.store.limits import KEPT_MARKS_S
from collector.store.opening import open_store
from collector.store.sqlite import SqliteStore
from tests.collector.store.examples import START

OLD_ENOUGH = timedelta(seconds=KEPT_MARKS_S, milliseconds=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = open_store(tmp_path / "layday.db")
    yield opened
    opened.close()


def marks(first: int, count: int, later: timedelta = timedelta(0)) -> Sequence[Mark]:
    return [Mark(first + i, START + later) for i in range(count)]


def test_after_an_hour_nobody_is_asked_about_a_message_and_its_mark_goes(store: SqliteStore) -> None:
    store.add([], (), marks(0, 990))
    store.add([], (), marks(990, 20, OLD_ENOUGH))  # with the thousandth mark the old ones are looked at
    assert store.marks() == marks(990, 20, OLD_ENOUGH)


def test_within_the_hour_a_mark_stays_however_many_come(store: SqliteStore) -> None:
    an_hour = timedelta(seconds=KEPT_MARKS_S)
    store.add([], (), marks(0, 990))
    store.add([], (), marks(990, 20, an_hour))
    assert len(store.marks()) == 1010


def test_a_small_commit_deletes_nothing(store: SqliteStore) -> None:
    """Deleting writes pages of its own: it is done once in a thousand marks, not with each commit."""
    store.add([], (), marks(0, 1005))
    store.add([], (), marks(1005, 20, OLD_ENOUGH))
    assert len(store.marks()) == 1025


def test_it_is_the_thousandth_mark_that_lets_old_ones_go(store: SqliteStore) -> None:
    store.add([], (), marks(0, 990))
    store.add([], (), marks(990, 9, OLD_ENOUGH))
    assert len(store.marks()) == 999
    store.add([], (), marks(999, 1, OLD_ENOUGH))
    assert store.marks() == marks(990, 10, OLD_ENOUGH)
