"""Failure 7: the database is away, full, locked, read-only or damaged, and readings are lost or destroyed."""

import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from tests.disks import Card, mounted
from tests.end_to_end.layday import Layday, until
from tests.faults.support import (
    Sensor,
    at_us,
    expect_each_once,
    expecting_failure_if,
    installation,
    reading,
    running,
    say,
    sound_and,
)

RATE_HZ = 1000.0


def _stalls(sensor: Sensor, defect: str = "") -> None:
    """Wait until for a second nothing is acknowledged any more; a broken daemon gets less time."""
    seen, since_s = -1, time.monotonic()

    def still() -> bool:
        nonlocal seen, since_s
        if sensor.acknowledged != seen:
            seen, since_s = sensor.acknowledged, time.monotonic()
        return time.monotonic() - since_s > 1.0

    until(still, "nothing is acknowledged any more", 6.0 if defect else 20.0)


def _flows(sensor: Sensor) -> None:
    """Wait until messages are acknowledged."""
    before = sensor.acknowledged
    until(lambda: sensor.acknowledged > before + 200, "messages are acknowledged")


@pytest.mark.parametrize("killed", [False, True], ids=["goes on", "killed while full"])
@sound_and("gives_up")
def test_a_full_disk_stops_the_acknowledging_and_nothing_acknowledged_is_missing(
    tmp_path: Path, defect: str, *, killed: bool
) -> None:
    with mounted(tmp_path / "disk", "-t", "tmpfs", "-o", "size=8m", "tmpfs") as disk:
        ballast = disk / "ballast"
        ballast.write_bytes(bytes(7_600_000))
        layday = installation(tmp_path / "layday", defect, store=disk / "layday.sqlite")
        sensor = Sensor(layday.port, RATE_HZ)
        sensor.start()
        try:
            with running(layday), expecting_failure_if(defect):
                _stalls(sensor, defect)
                assert "nothing is acknowledged until this is mended" in layday.log.read_text()
                assert "no space left on the disk" in layday.log.read_text()
                if killed:
                    layday.kill()
                ballast.unlink()
                if killed:
                    layday.start()
                _flows(sensor)
                expect_each_once(layday, sensor.finish())
        finally:
            sensor.stop()


@sound_and("gives_up")
def test_a_disk_that_turns_read_only_stops_the_acknowledging_and_loses_nothing(
    tmp_path: Path, defect: str
) -> None:
    """Each acknowledged reading is there when the card has been checked, as at the next start.

    No commit is under way at the moment the card fails: Linux 6.18 answers an fdatasync in flight then with
    success, though it dropped the journal's transaction, and no program can tell.
    """
    card = Card(tmp_path / "card.img", tmp_path / "card")
    layday = installation(tmp_path / "layday", defect, store=card.folder / "layday.sqlite")
    sensor = Sensor(layday.port, RATE_HZ)
    sensor.start()
    try:
        with card.mounted(), running(layday), expecting_failure_if(defect):
            _flows(sensor)
            with sensor.quiet():
                card.fail()
            _stalls(sensor, defect)
            assert "nothing is acknowledged until this is mended" in layday.log.read_text()
            acknowledged = sensor.acknowledged
        if defect:
            return
        card.mend()
        with card.mounted(), running(layday):
            assert len(layday.values("keel.air_c")) >= acknowledged
            expect_each_once(layday, sensor.finish())
    finally:
        sensor.stop()


@sound_and("gives_up")
def test_a_locked_store_is_waited_for_and_said(tmp_path: Path, defect: str) -> None:
    layday = installation(tmp_path, defect)
    sensor = Sensor(layday.port, RATE_HZ)
    sensor.start()
    try:
        with running(layday), expecting_failure_if(defect):
            _flows(sensor)
            with closing(sqlite3.connect(layday.store, isolation_level=None)) as greedy:
                greedy.execute("BEGIN IMMEDIATE")
                _stalls(sensor, defect)
                assert "another program has held the store" in layday.log.read_text()
                greedy.execute("ROLLBACK")
            _flows(sensor)
            expect_each_once(layday, sensor.finish())
    finally:
        sensor.stop()


def _filled(folder: Path, defect: str = "") -> Layday:
    """Return an installation with some pages of readings, stopped."""
    layday = installation(folder, defect)
    sensor = Sensor(layday.port, RATE_HZ)
    sensor.start()
    try:
        with running(layday):
            until(lambda: sensor.acknowledged > 1500, "some readings")
            sensor.finish()
            layday.stop()
    finally:
        sensor.stop()
    return layday


@sound_and("starts_afresh")
def test_a_store_that_is_no_database_any_more_is_named_and_left_alone(tmp_path: Path, defect: str) -> None:
    layday = _filled(tmp_path, defect)
    spoilt = bytearray(layday.store.read_bytes())
    spoilt[:100] = bytes(100)
    layday.store.write_bytes(spoilt)
    with expecting_failure_if(defect):
        with pytest.raises(AssertionError):
            layday.start()
        assert "is no layday store; give another path, or move this file away" in layday.log.read_text()
        assert "Traceback" not in layday.log.read_text()
        assert layday.store.read_bytes() == bytes(spoilt), "somebody may yet mend it"
    layday.end()


@sound_and("gives_up")
def test_a_damaged_page_is_said_and_what_cannot_be_kept_is_not_acknowledged(
    tmp_path: Path, defect: str
) -> None:
    layday = _filled(tmp_path, defect)
    with closing(sqlite3.connect(layday.store)) as con:
        (root,) = con.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'reading'").fetchone()
    spoilt = bytearray(layday.store.read_bytes())
    spoilt[(root - 1) * 4096 : root * 4096] = b"\xa5" * 4096
    layday.store.write_bytes(spoilt)
    with running(layday), expecting_failure_if(defect):
        assert not say(layday, reading(10**9), timeout_s=2.0)
        until(
            lambda: (
                "is damaged; stop layday, keep a copy of the file, and restore a backup"
                in layday.log.read_text()
            ),
            "it is said",
        )
        told = layday.ask("check")
        assert told.returncode != 0
        assert "Traceback" not in told.stderr
    assert layday.store.read_bytes()[(root - 1) * 4096 :][:4096] == b"\xa5" * 4096


def test_at_us_and_reading_agree() -> None:
    """The suite's own book-keeping."""
    assert reading(7) == b'{"t": 1775000000007, "air_c": 0.007}'
    assert at_us(7) == 1_775_000_000_007_000
