"""A backup made while the daemon writes: whole, checked, and never half there."""

import threading
from pathlib import Path

import pytest

from collector.errors import InputError, StoreError, StoreFullError
from collector.store import backup
from collector.store.backup import back_up
from collector.store.opening import open_store
from tests.collector.store.examples import FAR, contents, reading, rejected
from tests.collector.store.test_crash import integrity


def test_a_backup_of_a_store_in_use_is_a_whole_store(tmp_path: Path) -> None:
    path, copy = tmp_path / "layday.db", tmp_path / "copy.db"
    store = open_store(path)
    store.add([reading("keel.air_c", m, m / 10) for m in range(3000)], [rejected(1)])
    store.compact(FAR)
    stop = threading.Event()
    kept: list[int] = []

    def write() -> None:
        while not stop.is_set():
            store.add([reading("keel.air_c", 3000 + len(kept), 1.0), reading("sheer.air_c", len(kept), 1.0)])
            kept.append(1)

    writer = threading.Thread(target=write)
    writer.start()
    while len(kept) < 5:
        pass
    before = len(kept)
    size = back_up(path, copy)
    after = len(kept)
    stop.set()
    writer.join()
    assert size == copy.stat().st_size
    assert integrity(copy) == "ok"
    again = open_store(copy)
    held = contents(again)
    in_copy = (len(held) - 3000) // 2
    assert before <= in_copy <= after + 1
    assert held == {k: v for k, v in contents(store).items() if k in held}
    assert len(held) == 3000 + 2 * in_copy, "half a batch is in the copy"
    assert again.rejected_counts() == {"not JSON": 1}
    assert again.add([reading("keel.air_c", 9999, 1.0)]).new == 1  # it can take the store's place
    again.close()
    store.close()


def test_a_backup_never_replaces_a_file_and_names_a_missing_folder(tmp_path: Path) -> None:
    path = tmp_path / "layday.db"
    open_store(path).close()
    with pytest.raises(InputError, match=r"layday\.db: is there already"):
        back_up(path, path)
    with pytest.raises(InputError, match=r"none: there is no such folder"):
        back_up(path, tmp_path / "none" / "copy.db")
    with pytest.raises(StoreError, match=r"gone\.db: cannot be opened"):
        back_up(tmp_path / "gone.db", tmp_path / "copy.db")
    assert [p.name for p in tmp_path.iterdir()] == ["layday.db"]


def test_a_backup_onto_a_full_disk_leaves_nothing_there(tmp_path: Path, small_disk: Path) -> None:
    path = tmp_path / "layday.db"
    store = open_store(path)
    store.add([reading(f"bay{i}.air_c", m, 1 / (m + 1)) for m in range(2000) for i in range(20)])
    with pytest.raises(StoreFullError, match=r"copy\.db.*no space left"):
        back_up(path, small_disk / "copy.db")
    assert list(small_disk.iterdir()) == []
    assert len(contents(store)) == 40_000
    store.close()


def test_a_copy_that_does_not_pass_its_check_gets_no_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "layday.db"
    store = open_store(path)
    store.add([reading("keel.air_c", m, 1.0) for m in range(2000)])
    store.close()
    copied = backup._copy

    def spoilt(source: Path, partial: Path) -> None:
        copied(source, partial)
        data = bytearray(partial.read_bytes())
        data[-4000:-2000] = bytes(2000)  # the disk lost half a page
        partial.write_bytes(data)

    monkeypatch.setattr(backup, "_copy", spoilt)
    with pytest.raises(StoreError, match="damaged"):
        back_up(path, tmp_path / "copy.db")
    assert not [p.name for p in tmp_path.iterdir() if "copy" in p.name]
