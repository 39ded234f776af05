"""A disk, or a user, that may not write: viewers still see all there is, writers are told why not."""

import os
import subprocess
from pathlib import Path

import pytest

from collector.errors import StoreError
from collector.store.opening import open_store
from tests.collector.store.examples import contents, reading
from tests.collector.store.test_opening import as_nobody


def _copy(disk: Path, name: str, *endings: str) -> None:
    """Copy a store's files while they are in use, as a power cut would leave them."""
    for ending in endings:
        subprocess.run(["cp", f"{disk}/live.db{ending}", f"{disk}/{name}.db{ending}"], check=True)


@pytest.fixture
def read_only_disk(small_disk: Path) -> Path:
    """Give a read-only disk: a store closed in order, one left by a power cut, one with half its files."""
    live = open_store(small_disk / "live.db")
    live.add([reading("keel.air_c", 0, 18.5)])
    _copy(small_disk, "cut", "", "-wal", "-shm")
    _copy(small_disk, "half", "", "-wal")
    live.close()
    (small_disk / "live.db").rename(small_disk / "clean.db")
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    return small_disk


@pytest.mark.parametrize("name", ["clean", "cut"])
def test_a_viewer_reads_from_a_read_only_disk(read_only_disk: Path, name: str) -> None:
    viewer = open_store(read_only_disk / f"{name}.db", read_only=True)
    assert len(contents(viewer)) == 1
    viewer.close()


def test_a_log_that_cannot_be_read_there_is_no_reason_to_show_less(read_only_disk: Path) -> None:
    with pytest.raises(StoreError, match=r"was not closed in order.*copy it and half\.db-wal to a folder"):
        open_store(read_only_disk / "half.db", read_only=True)


def test_a_writer_is_told_that_the_disk_is_read_only(read_only_disk: Path) -> None:
    for name in ("clean", "other"):
        with pytest.raises(StoreError, match="the disk is mounted read-only"):
            open_store(read_only_disk / f"{name}.db")


def test_a_store_that_may_no_longer_write_says_so_and_goes_on_when_it_may(tmp_path: Path) -> None:
    """The kernel turns a failing disk read-only; SQLite says the same when its own switch is set, as here."""
    store = open_store(tmp_path / "layday.db")
    store.add([reading("keel.air_c", 0, 18.5)])
    writer = store._database._writer
    assert writer is not None
    writer.execute("PRAGMA query_only = ON")
    with pytest.raises(StoreError, match="cannot be written; the disk or the file is read-only"):
        store.add([reading("keel.air_c", 1, 18.6)])
    assert len(contents(store)) == 1
    writer.execute("PRAGMA query_only = OFF")
    assert store.add([reading("keel.air_c", 1, 18.6)]).new == 1
    store.close()


def test_a_viewer_without_the_right_to_write_sees_what_the_daemon_adds_later(tmp_path: Path) -> None:
    for folder in (tmp_path, *tmp_path.parents[:-2]):  # but not the root and /tmp
        folder.chmod(0o755)
    path = tmp_path / "layday.db"
    store = open_store(path)
    store.add([reading("keel.air_c", 0, 18.5)])
    store.close()
    assert not (tmp_path / "layday.db-wal").exists()
    if os.geteuid() != 0:
        tmp_path.chmod(0o555)
    with as_nobody():
        viewer = open_store(path, read_only=True)
        assert len(contents(viewer)) == 1
    tmp_path.chmod(0o755)
    store = open_store(path)
    store.add([reading("keel.air_c", 1, 18.6)])
    with as_nobody():
        assert len(contents(viewer)) == 2
    store.add([reading("keel.air_c", 2, 18.7)])
    store.close()
    with as_nobody():
        assert len(contents(viewer)) == 3
        viewer.close()
