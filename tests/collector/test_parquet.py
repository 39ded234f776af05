"""Parquet out of a store, read back with pyarrow."""

import sys
from datetime import timedelta
from pathlib import Path

import pyarrow as pa
import pytest
from pyarrow import parquet

from collector.domain import Flag
from collector.errors import InputError
from collector.parquet import write_parquet
from collector.store.memory import MemoryStore
from tests.collector.store.examples import START, reading


@pytest.fixture
def store() -> MemoryStore:
    """Give a store with two sensors, one over more than the month that is written at a time."""
    filled = MemoryStore()
    filled.add([reading("sheer.air_c", h * 60, h / 3) for h in range(24 * 40)])
    filled.add([reading("keel.air_c", 0.1234567, 85.0, flags=Flag.POWER_ON), reading("keel.air_c", 60, 18.5)])
    return filled


def test_every_reading_is_a_row_in_order_of_sensor_and_time(store: MemoryStore, tmp_path: Path) -> None:
    path = tmp_path / "season.parquet"
    steps: list[tuple[int, int]] = []
    assert write_parquet(store, path, progress=lambda done, total: steps.append((done, total))) == 962
    assert steps == [(1, 2), (2, 2)]
    table = parquet.read_table(path)
    assert table.schema.field("time").type == pa.timestamp("us", tz="UTC")
    rows = table.to_pylist()
    assert rows[0] == {
        "sensor": "keel.air_c",
        "time": reading("", 0.1234567, 0).at,
        "value": 85.0,
        "flags": int(Flag.POWER_ON),
    }
    assert [r["value"] for r in rows[2:]] == [h / 3 for h in range(24 * 40)]
    assert [r["time"] for r in rows[2:]] == [START + timedelta(hours=h) for h in range(24 * 40)]
    assert [p.name for p in tmp_path.iterdir()] == ["season.parquet"]


def test_a_stretch_of_some_sensors_can_be_written(store: MemoryStore, tmp_path: Path) -> None:
    path = tmp_path / "part.parquet"
    hour = timedelta(hours=1)
    count = write_parquet(store, path, start=START + hour, end=START + 3 * hour, sensors=["sheer.air_c"])
    assert count == 2
    assert parquet.read_table(path).column("value").to_pylist() == [1 / 3, 2 / 3]
    assert write_parquet(store, path, start=START - 9 * hour, end=START - hour) == 0
    assert parquet.read_table(path).num_rows == 0


def test_what_cannot_be_written_is_refused_in_words(store: MemoryStore, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"the store has no sensor keel\.ari_c; it has keel\.air_c"):
        write_parquet(store, tmp_path / "x.parquet", sensors=["keel.ari_c"])
    with pytest.raises(InputError, match=r"x\.parquet: cannot be written"):
        write_parquet(store, tmp_path / "none" / "x.parquet")
    assert list(tmp_path.iterdir()) == []


def test_without_pyarrow_the_way_out_is_named(
    store: MemoryStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(InputError, match=r"pip install 'layday\[report\]'; or write \.csv\.gz"):
        write_parquet(store, tmp_path / "x.parquet")
