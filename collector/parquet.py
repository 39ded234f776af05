"""Parquet out of a store: a row per reading, for those who analyse with other tools."""

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from collector.errors import InputError
from collector.store.base import Samples, Store
from collector.wide_csv import Progress

_SLICE = timedelta(days=30)
_INSTANT = timedelta(microseconds=1)
_END = datetime.max.replace(tzinfo=UTC)


def write_parquet(
    store: Store,
    path: Path,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    sensors: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> int:
    """Write a stretch of a store to a Parquet file and return the number of readings.

    Columns: `sensor`, `time` (UTC, microseconds), `value` (in the unit that ends the sensor's name)
    and `flags` (`collector.domain.Flag`). Rows are in order of sensor, then time.
    The file appears whole or not at all.

    Parameters
    ----------
    store
        Where to read.
    path
        The file to write; replaced if it is there.
    start, end
        [start, end); None takes all from the first reading or up to and with the last.
    sensors
        Which; None takes every one.
    progress
        Called after each sensor with the number done and in all.

    Raises
    ------
    InputError
        If pyarrow is not installed, `path` cannot be written, or the store does not know a sensor.
    """
    arrow, parquet = _libraries()
    known = store.sensors()
    unknown = [name for name in sensors or () if name not in known]
    if unknown:
        raise InputError(f"{path}: the store has no sensor {', '.join(unknown)}; it has {', '.join(known)}")
    names = list(sensors if sensors is not None else known)
    partial = path.with_name(f".{path.name}.part")
    count = 0
    try:
        with parquet.ParquetWriter(partial, _schema(arrow)) as writer:
            for i, name in enumerate(names):
                low = max(start or known[name].first_at, known[name].first_at)
                high = min(end or _END, known[name].last_at + _INSTANT)
                for samples in _stretches(store, name, low, high):
                    writer.write_table(_table(arrow, name, samples))
                    count += len(samples.times_us)
                if progress is not None:
                    progress(i + 1, len(names))
        partial.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        partial.unlink(missing_ok=True)
    return count


def _libraries() -> tuple[Any, Any]:
    """Import pyarrow only now: it is large, and nothing else needs it."""
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise InputError(
            "Parquet needs the library pyarrow, which is not installed: pip install 'layday[report]'; "
            "or write .csv.gz, which needs nothing"
        ) from error
    return pa, parquet


def _stretches(store: Store, name: str, low: datetime, high: datetime) -> Iterator[Samples]:
    """Yield a sensor's readings a month at a time, so that years take no more memory than that."""
    while low < high:
        samples = store.window(name, low, min(low + _SLICE, high))
        if len(samples.times_us):
            yield samples
        low += _SLICE


def _schema(arrow: Any) -> Any:  # noqa: ANN401  pyarrow ships no types
    return arrow.schema(
        [
            ("sensor", arrow.dictionary(arrow.int32(), arrow.string())),
            ("time", arrow.timestamp("us", tz="UTC")),
            ("value", arrow.float64()),
            ("flags", arrow.int32()),
        ]
    )


def _table(arrow: Any, name: str, samples: Samples) -> Any:  # noqa: ANN401  pyarrow ships no types
    zeros = np.zeros(len(samples.times_us), dtype=np.int32)
    columns = [
        arrow.DictionaryArray.from_arrays(zeros, [name]),
        arrow.array(samples.times_us, type=arrow.timestamp("us", tz="UTC")),
        arrow.array(samples.values),
        arrow.array(samples.flags.astype(np.int32)),
    ]
    return arrow.Table.from_arrays(columns, schema=_schema(arrow))
