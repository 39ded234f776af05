"""Wide CSV in and out: every reading, and every mistake by its file, line and column."""

import csv
import gzip
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.clock import from_us
from collector.domain import QUANTITIES, Reading
from collector.errors import InputError
from collector.quality import range_flag
from collector.store.base import Added
from collector.store.memory import MemoryStore
from collector.store.opening import open_store
from collector.wide_csv import Problem, import_wide_csv, read_wide_csv, write_wide_csv
from tests.collector.store.examples import contents
from tests.vectors import FOLDER

MAY = datetime(2024, 5, 31, 21, tzinfo=UTC)


def _file(folder: Path, text: str, name: str = "shed.csv") -> Path:
    path = folder / name
    path.write_bytes(gzip.compress(text.encode()) if name.endswith(".gz") else text.encode())
    return path


def _read(path: Path) -> tuple[list[Reading], list[Problem]]:
    problems: list[Problem] = []
    return [r for batch in read_wide_csv(path, report=problems.append) for r in batch], problems


@pytest.mark.parametrize("name", ["shed.csv", "shed.csv.gz"])
def test_each_filled_cell_is_a_reading(tmp_path: Path, name: str) -> None:
    text = "time,keel.air_c,heater.on\r\n2024-05-31T21:00:00Z,18.5,1\r\n\r\n"
    text += "2024-05-31T23:05:00.25+02:00,-0.25,\r\n"
    readings, problems = _read(_file(tmp_path, text, name))
    later = MAY + timedelta(minutes=5, seconds=0.25)
    assert readings == [
        Reading("keel.air_c", MAY, 18.5, MAY),
        Reading("heater.on", MAY, 1.0, MAY),
        Reading("keel.air_c", later, -0.25, later),
    ]
    assert problems == []


def test_a_spreadsheets_byte_order_mark_quotes_and_spaces_are_understood(tmp_path: Path) -> None:
    readings, problems = _read(_file(tmp_path, '\ufeff"time", keel.air_c\n"2024-05-31 21:00:00Z", 18.5\n'))
    assert readings == [Reading("keel.air_c", MAY, 18.5, MAY)]
    assert problems == []


def test_the_time_may_stand_in_any_column(tmp_path: Path) -> None:
    readings, _ = _read(_file(tmp_path, "keel.air_c,time\n18.5,2024-05-31T21:00:00Z\n"))
    assert readings == [Reading("keel.air_c", MAY, 18.5, MAY)]


@pytest.mark.parametrize(
    ("line", "column", "what"),
    [
        ("2024-05-31T21:00:00Z,warm,50", "keel.air_c", "'warm' is not a finite number"),
        ('2024-05-31T21:00:00Z,"18,5",50', "keel.air_c", "'18,5' is not a finite number"),
        ("2024-05-31T21:00:00Z,nan,50", "keel.air_c", "'nan' is not a finite number"),
        ("2024-05-31T21:00:00Z,-inf,50", "keel.air_c", "'-inf' is not a finite number"),
        ("2024-05-31T21:00:00Z,1e999,50", "keel.air_c", "'1e999' is not a finite number"),
        ("2024-05-31T21:00:00Z,1_0,50", "keel.air_c", "'1_0' is not a finite number"),
        ("2024-05-31T21:00:00Z,18.5", "", "has 2 cells where the first line has 3"),
        ("2024-05-31T21:00:00Z,18,5,50", "", "has 4 cells where the first line has 3"),
        ("2024-05-31T21:00:00,1,2", "time", "'2024-05-31T21:00:00' has no offset; write UTC"),
        ("31.5.2024 21:00,1,2", "time", "'31.5.2024 21:00' is no ISO 8601 time"),
        (",1,2", "time", "'' is no ISO 8601 time"),
        ("0001-01-01T00:00:00+14:00,1,2", "time", "is no ISO 8601 time"),
        ("1969-12-31T23:59:59Z,1,2", "time", "is not between 1970 and 2200"),
        ("2200-01-01T00:00:00Z,1,2", "time", "is not between 1970 and 2200"),
    ],
)
def test_a_bad_line_or_cell_is_named_and_the_rest_is_read(
    tmp_path: Path, line: str, column: str, what: str
) -> None:
    path = _file(
        tmp_path,
        f"time,keel.air_c,keel.humidity_pct\n2024-05-31T20:00:00Z,1,2\n{line}\n2024-05-31T22:00:00Z,3,4\n",
    )
    readings, (problem,) = _read(path)
    assert (problem.file, problem.line, problem.column) == (str(path), 3, column)
    assert what in problem.what
    assert str(problem).startswith(f"{path}:3: ")
    values = [r.value for r in readings]
    assert values == ([1, 2, 50, 3, 4] if column == "keel.air_c" else [1, 2, 3, 4])


def test_bytes_that_are_no_text_spoil_only_their_cell(tmp_path: Path) -> None:
    path = tmp_path / "shed.csv"
    path.write_bytes(b"time,keel.air_c,keel.part_c\n2024-05-31T21:00:00Z,\xff\xfe,17.5\n")
    readings, problems = _read(path)
    assert [r.value for r in readings] == [17.5]
    assert [(p.line, p.column) for p in problems] == [(2, "keel.air_c")]


def test_a_quote_left_open_is_reported_and_what_stands_before_it_is_read(tmp_path: Path) -> None:
    rest = "2024-05-31T22:00:00Z,3\n" * 9000
    path = _file(tmp_path, f'time,keel.air_c\n2024-05-31T21:00:00Z,18.5\n2024-05-31T21:30:00Z,"18.6\n{rest}')
    readings, problems = _read(path)
    assert readings[0] == Reading("keel.air_c", MAY, 18.5, MAY)
    assert problems
    assert "is not CSV: field larger than field limit" in problems[0].what


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("", ["is empty; its first line must name the columns"]),
        ("time;keel.air_c", ["line 1: the columns are not parted by commas; save the file with commas"]),
        ("keel.air_c,keel.part_c", ["there must be one column called 'time', not 0"]),
        ("time,time,keel.air_c", ["there must be one column called 'time', not 2"]),
        ("time,keel.air_c,keel.air_c", ["'keel.air_c': stands there 2 times; keep one"]),
        (
            "time,keel.warmth_c",
            ["'keel.warmth_c': no quantity is called 'warmth_c'; rename it to one of air_c"],
        ),
        ("time,Keel.air_c", ["'Keel.air_c': is no sensor; rename it to <place>.<quantity>"]),
        (  # the column names of one of the open data sets, as published
            "time,Temperature,Humidity,keel.air_c,9.on",
            ["'Temperature': is no sensor", "'Humidity': is no sensor", "'9.on': is no sensor"],
        ),
        ("time,keel.air_c,", ["'': is no sensor"]),
    ],
)
def test_a_bad_first_line_names_every_bad_column_and_what_to_do(
    tmp_path: Path, header: str, expected: list[str]
) -> None:
    path = _file(tmp_path, f"{header}\n2024-05-31T21:00:00Z,1\n")
    with pytest.raises(InputError) as caught:
        list(read_wide_csv(path))
    lines = str(caught.value).splitlines()
    assert len(lines) == len(expected)
    for line, what in zip(lines, expected, strict=True):
        assert line.startswith(f"{path}: ")
        assert what in line


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.csv: cannot be read: No such file"):
        list(read_wide_csv(tmp_path / "gone.csv"))
    with pytest.raises(InputError, match="cannot be read: Is a directory"):
        list(read_wide_csv(tmp_path))


def test_a_file_cut_short_is_named_and_what_came_before_is_kept(tmp_path: Path) -> None:
    lines = "".join(f"{(MAY + timedelta(minutes=i)).isoformat()},{i}\n" for i in range(20_000))
    path = _file(tmp_path, f"time,keel.air_c\n{lines}", "shed.csv.gz")
    path.write_bytes(path.read_bytes()[:-2000])
    store = MemoryStore()
    with pytest.raises(InputError, match=r"line \d+: the file is cut short or damaged"):
        import_wide_csv(store, path)
    assert len(contents(store)) >= 10_000
    (tmp_path / "not.csv.gz").write_text("time,keel.air_c\n")
    with pytest.raises(InputError, match="cut short or damaged: Not a gzipped file"):
        list(read_wide_csv(tmp_path / "not.csv.gz"))


def test_progress_runs_up_to_the_files_size(tmp_path: Path) -> None:
    lines = "".join(f"{(MAY + timedelta(minutes=i)).isoformat()},{i}\n" for i in range(20_000))
    path = _file(tmp_path, f"time,keel.air_c\n{lines}", "shed.csv.gz")
    steps: list[tuple[int, int]] = []
    for _ in read_wide_csv(path, progress=lambda done, total: steps.append((done, total))):
        pass
    size = path.stat().st_size
    assert len(steps) >= 4
    assert steps == sorted(steps)
    assert {total for _, total in steps} == {size}
    assert steps[-1] == (size, size)


def test_an_import_says_what_it_did_and_doing_it_again_changes_nothing(tmp_path: Path) -> None:
    path = _file(
        tmp_path,
        "time,keel.air_c,keel.part_c\n"
        "2024-05-31T21:00:00Z,18.5,x\n"
        "2024-05-31T21:00:00Z,18.5,17\n"
        "2024-05-31T21:00:00Z,18.6,\n",
    )
    store = MemoryStore()
    problems: list[Problem] = []
    done = import_wide_csv(store, path, report=problems.append)
    assert done.added == Added(new=2, repeated=1, conflicting=1)
    assert (done.problems, len(problems)) == (1, 1)
    before = contents(store)
    assert import_wide_csv(store, path).added == Added(new=0, repeated=3, conflicting=1)
    assert contents(store) == before


def test_measured_data_goes_through_a_store_and_out_again_unchanged(tmp_path: Path) -> None:
    """Two weeks of a Belgian house, 21 columns: cell by cell what the published file says."""
    source = FOLDER / "house_belgium_2_weeks.csv.gz"
    store = open_store(tmp_path / "layday.db")
    done = import_wide_csv(store, source)
    with gzip.open(source, "rt", encoding="utf-8", newline="") as text:
        published = list(csv.reader(text))
    assert len(published) == 1 + 14 * 144
    assert done.added == Added(sum(bool(c) for row in published[1:] for c in row[1:]), 0, 0)
    assert done.problems == 0
    out = tmp_path / "out.csv.gz"
    count = write_wide_csv(store, out, sensors=published[0][1:])
    store.close()
    assert count == done.added.new
    with gzip.open(out, "rt", encoding="utf-8", newline="") as text:
        written = list(csv.reader(text))
    assert written[0] == published[0]
    assert [row[0] for row in written] == [row[0] for row in published]
    assert [[float(c) for c in row[1:]] for row in written[1:]] == [
        [float(c) for c in row[1:]] for row in published[1:]
    ]


_value = st.floats(allow_nan=False, allow_infinity=False)
_key = st.tuples(
    st.sampled_from([f"{place}.{quantity}" for place in ("keel", "sheer_2") for quantity in QUANTITIES]),
    st.integers(1_717_189_200_000_000, 1_717_189_200_000_000 + 3 * 86_400_000_000),
)


@given(rows=st.dictionaries(_key, _value, min_size=1, max_size=30))
@settings(max_examples=80, deadline=None)
def test_what_is_written_reads_back_exactly(
    tmp_path_factory: pytest.TempPathFactory, rows: dict[tuple[str, int], float]
) -> None:
    path = tmp_path_factory.mktemp("csv") / "out.csv"
    store = MemoryStore()
    for (name, us), value in rows.items():
        flags = range_flag(QUANTITIES[name.rpartition(".")[2]], value)
        store.add([Reading(name, from_us(us), value, from_us(us), flags)])
    assert write_wide_csv(store, path) == len(rows)
    again = MemoryStore()
    assert import_wide_csv(again, path).problems == 0
    # an import flags what is out of range; the values are the same
    assert {key: value for key, (value, _) in contents(again).items()} == rows


def test_a_stretch_and_a_choice_of_sensors_are_written_the_same_each_time(tmp_path: Path) -> None:
    store = MemoryStore()
    for i, name in enumerate(("keel.air_c", "keel.part_c", "sheer.air_c")):
        store.add([Reading(name, MAY + timedelta(hours=h), float(h + i), MAY) for h in range(40)])
    start, end = MAY + timedelta(hours=1), MAY + timedelta(hours=3)
    path = tmp_path / "out.csv"
    assert write_wide_csv(store, path, start=start, end=end, sensors=["sheer.air_c", "keel.air_c"]) == 4
    assert path.read_text() == (
        "time,sheer.air_c,keel.air_c\n2024-05-31T22:00:00Z,3.0,1.0\n2024-05-31T23:00:00Z,4.0,2.0\n"
    )
    packed = [tmp_path / "a.csv.gz", tmp_path / "b.csv.gz"]
    steps: list[tuple[int, int]] = []
    for one in packed:
        assert write_wide_csv(store, one, progress=lambda done, total: steps.append((done, total))) == 120
    assert packed[0].read_bytes() == packed[1].read_bytes()
    assert steps[-1] == (39 * 3600, 39 * 3600)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.csv.gz", "b.csv.gz", "out.csv"]


def test_an_export_that_cannot_be_is_refused_in_words(tmp_path: Path) -> None:
    store = MemoryStore()
    with pytest.raises(InputError, match="nothing to write: the store has no readings yet"):
        write_wide_csv(store, tmp_path / "out.csv")
    store.add([Reading("keel.air_c", MAY, 18.5, MAY)])
    with pytest.raises(InputError, match=r"the store has no sensor keel\.ari_c; it has keel\.air_c"):
        write_wide_csv(store, tmp_path / "out.csv", sensors=["keel.ari_c"])
    with pytest.raises(InputError, match=r"out\.csv: cannot be written: No such file"):
        write_wide_csv(store, tmp_path / "none" / "out.csv")
    assert list(tmp_path.iterdir()) == []
