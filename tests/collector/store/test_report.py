"""What a store says of itself: size, span, gaps, and damage."""

import sqlite3
from datetime import timedelta
from pathlib import Path

from collector.clock import to_us
from collector.domain import Gap
from collector.store import chunks
from collector.store.memory import MemoryStore
from collector.store.opening import open_store
from collector.store.report import damage, gaps, sensor_report, store_report
from tests.collector.store.examples import FAR, START, reading

MINUTE = timedelta(minutes=1)


def test_a_sensor_is_missed_after_five_of_its_own_steps_and_at_least_five_minutes() -> None:
    store = MemoryStore()
    store.add([reading("keel.air_c", m / 6, 1.0) for m in range(600) if not 100 <= m < 129])  # under 5 min
    store.add([reading("sheer.air_c", m, 1.0) for m in (*range(0, 100, 10), 140, *range(200, 300, 10))])
    assert sensor_report(store, "keel.air_c").gaps == ()
    sheer = sensor_report(store, "sheer.air_c")
    assert (sheer.count, sheer.step) == (21, 10 * MINUTE)
    assert sheer.gaps == (Gap("sheer.air_c", START + 140 * MINUTE, START + 200 * MINUTE),)


def test_a_single_reading_has_neither_step_nor_gap() -> None:
    store = MemoryStore()
    store.add([reading("keel.air_c", 0, 1.0)])
    found = sensor_report(store, "keel.air_c")
    assert (found.count, found.step, found.gaps) == (1, None, ())
    assert gaps("keel.air_c", [], MINUTE) == ()


def test_a_report_counts_what_is_in_rows_and_in_chunks(tmp_path: Path) -> None:
    path = tmp_path / "layday.db"
    store = open_store(path)
    store.add([reading("keel.air_c", m, 1.0) for m in range(1000) if not 500 <= m < 530])
    store.compact(START + 800 * MINUTE)
    found = store_report(store, path, check=True)
    (sensor,) = found.sensors
    assert (found.count, sensor.count, found.row_count, found.chunk_count) == (970, 970, 280, 2)
    assert (sensor.first_at, sensor.last_at) == (START, START + 999 * MINUTE)
    assert sensor.gaps == (Gap("keel.air_c", START + 499 * MINUTE, START + 530 * MINUTE),)
    on_disk = sum((tmp_path / name).stat().st_size for name in ("layday.db", "layday.db-wal"))
    assert found.size_bytes == on_disk > 4096
    assert found.disk_free_bytes > 0
    assert found.damage == ()
    store.compact(FAR)
    store.let_go(FAR)
    emptied = store_report(store, path)
    assert (emptied.count, emptied.chunk_count, emptied.damage) == (0, 3, None)
    assert emptied.unused_bytes > 0
    store.close()


def test_a_spoilt_chunk_and_a_spoilt_page_are_named(tmp_path: Path) -> None:
    path = tmp_path / "layday.db"
    store = open_store(path)
    store.add([reading("keel.air_c", m, 1 / (m + 1)) for m in range(2000)])
    store.compact(FAR)
    store.close()
    assert damage(path) == ()
    con = sqlite3.connect(path)
    k = chunks.key(1, to_us(START))
    con.execute("UPDATE chunk SET data = zeroblob(1000) WHERE k = ?", (k,))
    con.commit()
    con.close()
    assert damage(path) == ("keel.air_c: 360 readings of the 6 h from 2024-02-05T00:00Z are spoilt",)
    data = bytearray(path.read_bytes())
    data[4096 * 2 : 4096 * 2 + 100] = b"\xff" * 100  # a page's head
    path.write_bytes(data)
    assert any("malformed" in text or "page" in text.lower() for text in damage(path))
