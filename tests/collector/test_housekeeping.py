"""The store is tidied while the daemon runs, and old raw readings go only if that is asked for."""

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.clock import ManualClock
from collector.domain import Reading
from collector.housekeeping import Housekeeper
from collector.store.opening import open_store
from collector.store.report import store_report
from collector.store.sqlite import SqliteStore

NOW = datetime(2026, 4, 30, 12, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> SqliteStore:
    """A month of one reading every ten minutes."""
    store = open_store(tmp_path / "layday.sqlite")
    times = [NOW - timedelta(minutes=10 * n) for n in range(30 * 144)]
    store.add([Reading("keel.air_c", at, 20.0, at) for at in times])
    return store


def counted(store: SqliteStore) -> int:
    return len(store.window("keel.air_c", NOW - timedelta(days=40), NOW + timedelta(days=1)).values)


def test_closed_windows_move_into_chunks_and_nothing_goes(store: SqliteStore, tmp_path: Path) -> None:
    Housekeeper(store, ManualClock(NOW), keep_days=0).tidy()
    report = store_report(store, tmp_path / "layday.sqlite")
    assert report.chunk_count > 100
    assert report.row_count < 100
    assert counted(store) == 30 * 144
    store.close()


def test_old_raw_readings_are_let_go_by_age(store: SqliteStore) -> None:
    Housekeeper(store, ManualClock(NOW), keep_days=10).tidy()
    left = counted(store)
    assert 10 * 144 <= left <= 10 * 144 + 72
    store.close()


def test_it_works_in_its_own_thread_and_stops_at_once(store: SqliteStore, tmp_path: Path) -> None:
    housekeeper = Housekeeper(store, ManualClock(NOW), keep_days=0, every_s=0.01)
    housekeeper.start()
    deadline_s = time.monotonic() + 20
    while store_report(store, tmp_path / "layday.sqlite").row_count > 100:
        assert time.monotonic() < deadline_s
        time.sleep(0.02)
    housekeeper.stop()
    store.close()


def test_a_store_that_cannot_be_written_is_left_for_the_next_round(
    store: SqliteStore, caplog: pytest.LogCaptureFixture
) -> None:
    store.close()
    Housekeeper(store, ManualClock(NOW), keep_days=0).tidy()
    assert "could not be tidied" in caplog.text
