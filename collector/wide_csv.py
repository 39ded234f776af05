"""Wide CSV: a column of times and a column per sensor, in and out of a store."""

import csv
import gzip
import math
import os
import re
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from io import TextIOWrapper
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, TextIO

from collector.clock import EPOCH, from_us
from collector.domain import QUANTITIES, Reading
from collector.errors import InputError
from collector.quality import Judge, range_flag
from collector.store.base import Added, Store

if TYPE_CHECKING:
    from _csv import Reader

_BATCH = 5000
_SLICE = timedelta(days=1)
_PLACE = re.compile(r"[a-z][a-z0-9_]*")
_END = datetime(2200, 1, 1, tzinfo=UTC)

Progress = Callable[[int, int], None]
"""Called with the bytes (or seconds of span) done, and their total."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One line or cell that was skipped, and why. `column` is empty where the whole line was."""

    file: str
    line: int
    column: str
    what: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}: "
        return f"{where}{self.column}: {self.what}" if self.column else f"{where}{self.what}"


Report = Callable[[Problem], None]


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did: readings kept, there already, there with another value; problems skipped."""

    added: Added
    problems: int


def import_wide_csv(
    store: Store, path: Path, *, report: Report | None = None, progress: Progress | None = None
) -> Imported:
    """Read a wide CSV file into a store, a batch a transaction. Importing a file twice changes nothing.

    Raises
    ------
    InputError
        As `read_wide_csv`.
    StoreError
        If the store cannot be written; what was kept so far stays.
    """
    new = repeated = conflicting = problems = 0

    def count(problem: Problem) -> None:
        nonlocal problems
        problems += 1
        if report is not None:
            report(problem)

    judge = Judge()
    for batch in read_wide_csv(path, report=count, progress=progress):
        added = store.add(judge.judge([_ranged(reading) for reading in batch]))
        new, repeated, conflicting = (
            new + added.new,
            repeated + added.repeated,
            conflicting + added.conflicting,
        )
    return Imported(Added(new, repeated, conflicting), problems)


def _ranged(reading: Reading) -> Reading:
    """Flag what cannot be true, as intake does for what arrives by MQTT."""
    quantity = QUANTITIES[reading.sensor.rpartition(".")[2]]
    return reading._replace(flags=range_flag(quantity, reading.value))


def read_wide_csv(
    path: Path, *, report: Report | None = None, progress: Progress | None = None
) -> Iterator[list[Reading]]:
    """Yield a wide CSV file's readings in batches.

    The first line names the columns: ``time`` (ISO 8601 with an offset or ``Z``) and
    ``<place>.<quantity>``, as in ``keel.air_c``. An empty cell is no reading. A file tells nothing of
    when its readings were received, so that is taken to be their own time.

    Parameters
    ----------
    path
        A ``.csv`` file, UTF-8, or a ``.csv.gz``.
    report
        Called with each line and cell that cannot be used; the rest is read all the same.
    progress
        Called after each batch with the bytes of the file read so far and in all.

    Raises
    ------
    InputError
        If the file cannot be read or is cut short, or its first line names columns that nobody knows.
    """
    with _opened(path) as (raw, text):
        total = os.fstat(raw.fileno()).st_size
        lines = csv.reader(text)
        batch: list[Reading] = []
        try:
            columns = _columns(path, next(lines, []))
            for number, cells in _lines(path, lines, report):
                batch += _readings(path, number, cells, columns, report)
                if len(batch) >= _BATCH:
                    yield batch
                    batch = []
                    if progress is not None:
                        progress(raw.tell(), total)
        except (EOFError, zlib.error, OSError) as error:
            raise InputError(
                f"{path}: line {lines.line_num}: the file is cut short or damaged: {error}"
            ) from error
        if batch:
            yield batch
        if progress is not None:
            progress(total, total)


@contextmanager
def _opened(path: Path) -> Iterator[tuple[BinaryIO, TextIO]]:
    """Open the file, and the text in it; the first for its position, which gzip hides."""
    with ExitStack() as files:
        try:
            raw = files.enter_context(path.open("rb"))
        except OSError as error:
            raise InputError(f"{path}: cannot be read: {error.strerror}") from error
        packed = path.suffix == ".gz"
        data = files.enter_context(gzip.GzipFile(fileobj=raw, mode="rb")) if packed else raw
        # bytes that are not UTF-8 become a sign that no number holds, so that just their cell is refused
        text = TextIOWrapper(data, encoding="utf-8-sig", errors="replace", newline="")
        yield raw, files.enter_context(text)


def _columns(path: Path, header: Sequence[str]) -> tuple[int, list[str | None]]:
    """Check the first line; return where the time stands, and the columns' sensors (None for the time)."""
    names = [name.strip() for name in header]
    mistakes = []
    if not any(names):
        raise InputError(f"{path}: is empty; its first line must name the columns: time, keel.air_c, …")
    if len(names) == 1 and re.search(r"[;\t|]", names[0]):
        raise InputError(f"{path}: line 1: the columns are not parted by commas; save the file with commas")
    if names.count("time") != 1:
        mistakes.append(f"there must be one column called 'time', not {names.count('time')}")
    for name in dict.fromkeys(names):
        what = "" if name == "time" else _wrong_with(name)
        if what:
            mistakes.append(f"{name!r}: {what}")
        elif name != "time" and names.count(name) > 1:
            mistakes.append(f"{name!r}: stands there {names.count(name)} times; keep one")
    if mistakes:
        raise InputError("\n".join(f"{path}: line 1: {mistake}" for mistake in mistakes))
    return names.index("time"), [None if name == "time" else name for name in names]


def _wrong_with(name: str) -> str:
    """Say what keeps a column's name from being a sensor's, and what to do."""
    place, dot, quantity = name.partition(".")
    if not dot or not _PLACE.fullmatch(place):
        return "is no sensor; rename it to <place>.<quantity>, as in keel.air_c, or remove the column"
    if quantity not in QUANTITIES:
        return (
            f"no quantity is called {quantity!r}; rename it to one of {', '.join(QUANTITIES)}, or remove it"
        )
    return ""


def _lines(path: Path, lines: "Reader", report: Report | None) -> Iterator[tuple[int, list[str]]]:
    """Yield each line that is CSV with its number; blank ones are passed over."""
    while True:
        try:
            cells = next(lines)
        except StopIteration:
            return
        except csv.Error as error:
            _tell(report, Problem(str(path), lines.line_num, "", f"is not CSV: {error}"))
            continue
        if cells:
            yield lines.line_num, cells


def _readings(
    path: Path, number: int, cells: list[str], columns: tuple[int, list[str | None]], report: Report | None
) -> list[Reading]:
    time_index, sensors = columns
    if len(cells) != len(sensors):
        what = f"has {len(cells)} cells where the first line has {len(sensors)}"
        _tell(report, Problem(str(path), number, "", what))
        return []
    at = _time(cells[time_index])
    if isinstance(at, str):
        _tell(report, Problem(str(path), number, "time", at))
        return []
    found = []
    for sensor, cell in zip(sensors, cells, strict=True):
        if not cell or sensor is None:
            continue
        value = _number(cell)
        if value is not None:
            found.append(Reading(sensor, at, value, at))
        elif cell.strip():
            _tell(report, Problem(str(path), number, sensor, f"{cell[:40]!r} is not a finite number"))
    return found


def _time(cell: str) -> datetime | str:
    """Return the time in UTC, or what is wrong with it."""
    try:
        at = datetime.fromisoformat(cell.strip())
        if at.tzinfo is None:
            return f"{cell[:40]!r} has no offset; write UTC times as 2024-05-31T21:00:00Z"
        at = at.astimezone(UTC)
    except (ValueError, OverflowError):
        return f"{cell[:40]!r} is no ISO 8601 time such as 2024-05-31T21:00:00Z"
    return at if EPOCH <= at < _END else f"{cell[:40]!r} is not between 1970 and 2200"


def _number(cell: str) -> float | None:
    """Return the finite number in a cell, if there is one (Python also takes 1_0 for ten)."""
    try:
        value = float(cell)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in cell else None


def _tell(report: Report | None, problem: Problem) -> None:
    if report is not None:
        report(problem)


def write_wide_csv(
    store: Store,
    path: Path,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    sensors: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> int:
    """Write a stretch of a store to wide CSV and return the number of readings.

    A row per time at which any of the sensors has a reading; values in full, so that reading the
    file gives the same readings. The file appears whole or not at all.

    Parameters
    ----------
    store
        Where to read.
    path
        A ``.csv`` file, or a ``.csv.gz``; replaced if it is there.
    start, end
        [start, end); None takes all from the first reading or up to and with the last.
    sensors
        The columns in order; None takes every sensor with a reading in the stretch.
    progress
        Called after each day of readings with the seconds done and in all.

    Raises
    ------
    InputError
        If `path` cannot be written, or the store knows none of the sensors, or not one of them.
    """
    known = store.sensors()
    unknown = [name for name in sensors or () if name not in known]
    if unknown:
        raise InputError(f"{path}: the store has no sensor {', '.join(unknown)}; it has {', '.join(known)}")
    names = list(sensors if sensors is not None else known)
    if not names:
        raise InputError(f"{path}: nothing to write: the store has no readings yet")
    start = start or min(known[name].first_at for name in names)
    end = end or max(known[name].last_at for name in names) + timedelta(microseconds=1)
    if sensors is None:
        names = [name for name in names if known[name].first_at < end and known[name].last_at >= start]
    partial = path.with_name(f".{path.name}.part")
    try:
        with _to_write(partial, packed=path.suffix == ".gz") as text:
            count = _write_rows(store, text, names, (start, end), progress)
        partial.replace(path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror}") from error
    finally:
        partial.unlink(missing_ok=True)
    return count


@contextmanager
def _to_write(path: Path, *, packed: bool) -> Iterator[TextIO]:
    with ExitStack() as files:
        raw = files.enter_context(path.open("wb"))
        # no time stamp: the same readings give the same bytes
        data = files.enter_context(gzip.GzipFile("", "wb", fileobj=raw, mtime=0)) if packed else raw
        yield files.enter_context(TextIOWrapper(data, encoding="utf-8", newline=""))


def _write_rows(
    store: Store,
    text: TextIO,
    names: Sequence[str],
    span: tuple[datetime, datetime],
    progress: Progress | None,
) -> int:
    """Write day by day, so that a season takes no more memory than a day."""
    start, end = span
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["time", *names])
    count, at = 0, start
    while at < end:
        until = min(at + _SLICE, end)
        table = _rows_by_time(store, names, at, until)
        for time_us in sorted(table):
            row = table[time_us]
            count += len(row)
            writer.writerow([_iso(from_us(time_us)), *(row.get(name, "") for name in names)])
        at = until
        if progress is not None:
            progress(int((at - start).total_seconds()), int((end - start).total_seconds()))
    return count


def _rows_by_time(
    store: Store, names: Sequence[str], start: datetime, end: datetime
) -> Mapping[int, Mapping[str, float]]:
    table: dict[int, dict[str, float]] = {}
    for name in names:
        samples = store.window(name, start, end)
        for time_us, value in zip(samples.times_us.tolist(), samples.values.tolist(), strict=True):
            table.setdefault(time_us, {})[name] = value
    return table


def _iso(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")
