"""Kill -9, a full disk: what was said to be kept is kept, once."""

import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from collector.errors import StoreFullError
from collector.store.base import Store
from collector.store.opening import open_store
from tests.collector.store.examples import contents
from tests.collector.store.writer import BATCH, batches, numbered


def integrity(path: Path) -> str:
    """Return what SQLite finds when it checks every page."""
    con = sqlite3.connect(path)
    try:
        return str(con.execute("PRAGMA integrity_check").fetchone()[0])
    finally:
        con.close()


def run_and_kill(path: Path, first: int, run_s: float, module: str = "tests.collector.store.writer") -> int:
    """Let a writer run for a while, kill it, and return the last count that it printed."""
    command = [sys.executable, "-m", module, str(path), str(first)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "open\n"
        time.sleep(run_s)
        writer.kill()
        printed = writer.stdout.read().split()
    return int(printed[-1]) if printed else first


def test_every_row_reported_before_kill_9_is_there_once(tmp_path: Path) -> None:
    path = tmp_path / "layday.db"
    pause = random.Random(20240205)
    count = 0
    for _ in range(10):
        count = run_and_kill(path, count, pause.uniform(0.02, 0.25))
        assert integrity(path) == "ok"
        store = open_store(path)
        kept = sorted(value for value, _ in contents(store).values())
        store.close()
        # a batch may be committed and killed before its count was printed; half a batch may not
        assert len(kept) - count in {0, BATCH}
        assert kept == [float(number) for number in range(len(kept))]
    assert count > 400, "the writer was hardly running; the test proves little"


def fill(store: Store) -> int:
    """Add readings until the disk is full; return how many were kept."""
    count = 0
    for batch in batches(0):
        try:
            store.add(batch)
        except StoreFullError:
            break
        count += len(batch)
    return count


def test_a_full_disk_keeps_all_that_was_kept_and_goes_on_when_there_is_room(small_disk: Path) -> None:
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(300_000))
    path = small_disk / "layday.db"
    store = open_store(path)
    count = fill(store)
    assert count > 1000
    expected = [float(number) for number in range(count)]
    assert sorted(value for value, _ in contents(store).values()) == expected

    refused = [numbered(number) for number in range(count, count + BATCH)]
    for _ in range(20):  # stays refused, and stays unharmed
        with pytest.raises(StoreFullError, match="no space left on the disk"):
            store.add(refused)
    assert sorted(value for value, _ in contents(store).values()) == expected

    ballast.unlink()
    assert store.add(refused).new == len(refused)
    store.close()
    assert integrity(path) == "ok"
    again = open_store(path)
    assert sorted(v for v, _ in contents(again).values()) == [float(i) for i in range(count + len(refused))]
    again.close()
