"""What a screen asks every few seconds: the newest rows, without arrays."""

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.correction import Correction
from collector.domain import Flag, Reading
from collector.errors import StoreError
from collector.store.newest import open_newest
from collector.store.opening import open_store

AT = datetime(2026, 4, 2, 19, 4, tzinfo=UTC)
DAY = timedelta(days=1)
NAME, SILENT = "keel.air_c", "sheer.air_c"


def filled(file: Path) -> None:
    """Ten minutes of one sensor, and another that was last heard the evening before."""
    with_flag = [Reading(NAME, AT - timedelta(minutes=m), 20.0 + m, AT, Flag.JUMP) for m in range(10)]
    store = open_store(file)
    store.add([*with_flag, Reading(SILENT, AT - DAY / 2, 11.0, AT - DAY / 2)])
    store.close()


def test_it_says_what_the_whole_store_says(tmp_path: Path) -> None:
    filled(tmp_path / "a.sqlite")
    store, newest = open_store(tmp_path / "a.sqlite", read_only=True), open_newest(tmp_path / "a.sqlite", {})
    assert newest.latest(AT, DAY) == store.latest(AT, DAY)
    assert newest.latest(AT - timedelta(minutes=3), DAY) == store.latest(AT - timedelta(minutes=3), DAY)
    assert newest.sensors() == store.sensors()
    newest.close()
    store.close()


def test_calibrated_sensors_are_corrected(tmp_path: Path) -> None:
    filled(tmp_path / "a.sqlite")
    newest = open_newest(tmp_path / "a.sqlite", {NAME: [Correction(offset=-0.5)]})
    assert newest.latest(AT, DAY)[NAME].value == 19.5
    newest.close()


def test_what_has_moved_into_chunks_is_left_to_the_whole_store(tmp_path: Path) -> None:
    filled(tmp_path / "a.sqlite")
    store = open_store(tmp_path / "a.sqlite")
    store.compact(AT)
    newest = open_newest(tmp_path / "a.sqlite", {})
    assert set(store.latest(AT, DAY)) == {NAME, SILENT}
    assert set(newest.latest(AT, DAY)) == {NAME}
    newest.close()
    store.close()


def test_a_store_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store yet"):
        open_newest(tmp_path / "none.sqlite", {})


def test_it_loads_no_numpy() -> None:
    code = "import sys, collector.store.newest; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
