"""Opening a store: what is made, what is refused and in which words; viewers beside the writer."""

import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from collector.clock import to_us
from collector.errors import StoreError
from collector.store import connection
from collector.store.base import Mark, State
from collector.store.migrations import MIGRATIONS, migrate
from collector.store.opening import open_store
from tests.collector.store.examples import START, contents, reading

NOBODY = 65534


@contextmanager
def as_nobody() -> Iterator[None]:
    """Without root's rights, which no permission stops."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def test_folders_are_made_and_readings_outlive_the_process(tmp_path: Path) -> None:
    path = tmp_path / "season" / "2024 #1?" / "layday.db"
    store = open_store(path)
    store.add([reading("keel.air_c", 0, 18.5)])
    store.close()
    again = open_store(path)
    assert contents(again) == {("keel.air_c", 1_707_091_200_000_000): (18.5, 0)}
    again.close()
    assert [p.name for p in path.parent.iterdir()] == ["layday.db"]


def test_a_viewer_of_no_store_is_told_what_makes_one(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"layday\.db: there is no store yet; 'layday run'"):
        open_store(tmp_path / "layday.db", read_only=True)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("read_only", [False, True])
def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path, *, read_only: bool) -> None:
    path = tmp_path / "layday.db"
    path.write_text("time,keel.air_c\n" * 500)
    with pytest.raises(StoreError, match=r"layday\.db: is no layday store"):
        open_store(path, read_only=read_only)
    assert path.read_text() == "time,keel.air_c\n" * 500


@pytest.mark.parametrize("read_only", [False, True])
def test_another_programs_database_is_refused_and_left_alone(tmp_path: Path, *, read_only: bool) -> None:
    path = tmp_path / "album.db"
    con = sqlite3.connect(path)
    con.execute("CREATE TABLE photo (name TEXT)")
    con.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="another program's SQLite file"):
        open_store(path, read_only=read_only)
    assert path.read_bytes() == before


@pytest.mark.parametrize("read_only", [False, True])
def test_a_store_of_a_later_layday_is_refused(tmp_path: Path, *, read_only: bool) -> None:
    path = tmp_path / "layday.db"
    open_store(path).close()
    con = sqlite3.connect(path)
    con.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    con.close()
    with pytest.raises(StoreError, match=r"written by a later layday \(form \d+, this one knows \d+\)"):
        open_store(path, read_only=read_only)


@pytest.mark.parametrize("steps", range(1, len(MIGRATIONS)))
def test_an_earlier_form_is_brought_up_to_date_by_the_writer_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, steps: int
) -> None:
    path = tmp_path / "layday.db"
    con = connection.connect(path, writable=True)
    con.execute("PRAGMA journal_mode = WAL")
    with monkeypatch.context() as patch:
        patch.setattr("collector.store.migrations.MIGRATIONS", MIGRATIONS[:steps])
        migrate(con)
    con.execute("INSERT INTO sensor VALUES (1, 'keel.air_c', 7, 7)")
    con.execute("INSERT INTO reading VALUES (7, 1, 18.5, 0, 0)")
    con.close()
    with pytest.raises(StoreError, match="earlier form"):
        open_store(path, read_only=True)
    store = open_store(path)
    assert contents(store) == {("keel.air_c", 7): (18.5, 0)}
    store.close()


def test_a_step_that_fails_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def half_done(con: sqlite3.Connection) -> None:
        con.execute("CREATE TABLE half (x)")
        raise sqlite3.OperationalError("interrupted")

    path = tmp_path / "layday.db"
    with monkeypatch.context() as patch:
        patch.setattr("collector.store.migrations.MIGRATIONS", (*MIGRATIONS, half_done))
        with pytest.raises(StoreError, match="interrupted"):
            open_store(path)
    open_store(path).close()
    con = sqlite3.connect(path)
    assert con.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'half'").fetchone() == (0,)
    con.close()


def test_a_folder_in_place_of_the_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="is a folder; give the name of a file in it"):
        open_store(tmp_path)
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="the store's folder cannot be made: File exists"):
        open_store(tmp_path / "file" / "layday.db")


def test_missing_permissions_are_named(tmp_path: Path) -> None:
    for folder in (tmp_path, *tmp_path.parents[:3]):
        folder.chmod(0o755)
    path = tmp_path / "layday.db"
    open_store(path).close()
    path.chmod(0o600)
    tmp_path.chmod(0o555)
    try:
        with as_nobody():
            with pytest.raises(StoreError, match="may not write there"):
                open_store(tmp_path / "other.db")
            if os.geteuid() == NOBODY:  # another user's file
                with pytest.raises(StoreError, match="may not read it"):
                    open_store(path, read_only=True)
    finally:
        tmp_path.chmod(0o755)


def test_a_store_held_by_another_program_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "BUSY_S", 0.1)
    path = tmp_path / "layday.db"
    store = open_store(path)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="another program has held the store for"):
        store.add([reading("keel.air_c", 0, 18.5)])
    other.execute("ROLLBACK")
    other.close()
    assert store.add([reading("keel.air_c", 0, 18.5)]).new == 1
    store.close()


def test_a_viewer_in_the_midst_of_reading_never_holds_up_the_writer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connection, "BUSY_S", 0.0)
    path = tmp_path / "layday.db"
    store = open_store(path)
    store.add([reading("keel.air_c", 0, 18.5)])
    viewer = open_store(path, read_only=True)
    with viewer._database.reading() as con:
        assert con.execute("SELECT count(*) FROM reading").fetchone() == (1,)
        for minute in range(1, 50):
            store.add([reading("keel.air_c", minute, 18.5)])
        assert con.execute("SELECT count(*) FROM reading").fetchone() == (1,)  # its own view holds still
    assert len(contents(viewer)) == 50
    viewer.close()
    store.close()


def test_a_viewer_sees_what_is_added_after_it_opened_and_cannot_write(tmp_path: Path) -> None:
    path = tmp_path / "layday.db"
    store = open_store(path)
    viewer = open_store(path, read_only=True)
    store.add([reading("keel.air_c", 0, 18.5)])
    assert len(contents(viewer)) == 1
    with pytest.raises(StoreError, match="opened to read only"):
        viewer.add([reading("keel.air_c", 1, 18.5)])
    store.close()
    assert len(contents(viewer)) == 1
    viewer.close()


def test_two_writers_take_turns_and_share_sensors(tmp_path: Path) -> None:
    path = tmp_path / "layday.db"
    daemon, importer = open_store(path), open_store(path)
    assert daemon.add([reading("keel.air_c", 0, 18.5)]).new == 1
    assert importer.add([reading("keel.air_c", 0, 18.5), reading("sheer.air_c", 9, 1.0)]) == (1, 1, 0)
    assert daemon.add([reading("sheer.air_c", 3, 1.0), reading("sheer.air_c", 9, 2.0)]) == (1, 0, 1)
    span = daemon.sensors()["sheer.air_c"]
    assert (span.last_at - span.first_at).total_seconds() == 360
    importer.close()
    daemon.close()


def test_a_batch_that_fails_leaves_no_trace_in_what_the_store_remembers(tmp_path: Path) -> None:
    path = tmp_path / "layday.db"
    store = open_store(path)
    with pytest.raises(OverflowError):
        store.add([reading("keel.air_c", 0, 18.5)._replace(flags=2**70)])  # type: ignore[arg-type]
    assert store.add([reading("sheer.air_c", 0, 7.0), reading("keel.air_c", 0, 18.5)]).new == 2
    store.close()
    again = open_store(path)
    assert {(name, value) for (name, _), (value, _) in contents(again).items()} == {
        ("sheer.air_c", 7.0),
        ("keel.air_c", 18.5),
    }
    again.close()


def test_the_end_of_a_span_is_exact_though_it_is_written_once_a_minute(tmp_path: Path) -> None:
    path = tmp_path / "layday.db"
    store = open_store(path)
    viewer = open_store(path, read_only=True)
    written = []
    for second in range(0, 300, 10):
        for i in range(3):
            store.add([reading(f"bay{i}.air_c", (second + i) / 60, float(second))])
            newest = reading("", (second + i) / 60, 0.0).at
            assert viewer.sensors()[f"bay{i}.air_c"].last_at == newest
            assert viewer.latest(newest, newest - START.replace(year=2000))[f"bay{i}.air_c"].value == second
        with viewer._database.reading() as con:
            written.append(con.execute("SELECT max(last_us) FROM sensor").fetchone()[0])
    assert len(set(written)) == 5
    store.compact(START.replace(month=3))
    assert store.sensors() == viewer.sensors()
    assert {span.last_at for span in store.sensors().values()} == {
        reading("", (290 + i) / 60, 0.0).at for i in range(3)
    }
    viewer.close()
    store.close()


def test_a_passing_word_is_not_synced_and_what_comes_after_it_is(tmp_path: Path) -> None:
    """As SQLite has it: 1 is NORMAL, which in WAL mode syncs no commit, 2 is FULL."""
    database = vars(open_store(tmp_path / "layday.db"))["_database"]

    def sync(con: sqlite3.Connection) -> int:
        return int(con.execute("PRAGMA synchronous").fetchone()[0])

    with database.writing(durable=False) as con:
        assert sync(con) == 1
    with database.writing() as con:
        assert sync(con) == 2
    with pytest.raises(ZeroDivisionError), database.writing(durable=False):
        raise ZeroDivisionError
    with database.writing() as con:
        assert sync(con) == 2
    database.close()


def test_what_the_daemon_tells_of_itself_costs_no_sync_and_a_feeds_births_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[bool] = []
    writing = connection.Database.writing

    def noted(self: connection.Database, *, durable: bool = True) -> AbstractContextManager[object]:
        asked.append(durable)
        return writing(self, durable=durable)

    monkeypatch.setattr(connection.Database, "writing", noted)
    store = open_store(tmp_path / "layday.db")
    store.write_state("births", State("{}", START))
    store.write_state("daemon", State("{}", START, durable=False))
    assert asked == [True, False]
    assert store.read_state("daemon") == State("{}", START)
    store.close()


def test_the_end_of_a_span_is_written_in_the_first_commit_of_a_minute_only(tmp_path: Path) -> None:
    """Each commit would else write a page more to the card."""
    path = tmp_path / "layday.db"
    store = open_store(path)
    written = []
    with closing(sqlite3.connect(path)) as con:
        for second in (0, 20, 59, 60, 61, 125):
            store.add([reading("keel.air_c", second / 60, 18.5)])
            ((last_us,),) = con.execute("SELECT last_us FROM sensor").fetchall()
            written.append((last_us - to_us(START)) / 1e6)
    assert written == [0, 0, 0, 60, 60, 125]
    store.close()


def test_marks_of_the_last_hour_stay_and_older_ones_go(tmp_path: Path) -> None:
    """What a redelivery is known by is worth nothing once its window is over."""
    store = open_store(tmp_path / "layday.db")

    def add(first: int, count: int, minute: float) -> None:
        at = START + timedelta(minutes=minute)
        store.add([], [], [Mark(number, at) for number in range(first, first + count)])

    add(1, 500, 0)
    add(501, 300, 2)
    add(801, 300, 61)
    assert [mark.digest for mark in store.marks()] == list(range(501, 1101))
    store.close()


def test_a_closed_store_says_so_and_may_be_closed_again(tmp_path: Path) -> None:
    store = open_store(tmp_path / "layday.db")
    store.close()
    store.close()
    with pytest.raises(StoreError, match="is closed"):
        store.sensors()
    with pytest.raises(StoreError, match="is closed"):
        store.add([reading("keel.air_c", 0, 18.5)])


def test_threads_share_a_store(tmp_path: Path) -> None:
    store = open_store(tmp_path / "layday.db")
    errors: list[Exception] = []

    def work(number: int) -> None:
        try:
            for minute in range(40):
                store.add([reading(f"bay{number % 4}.air_c", minute * 8 + number, float(number))])
                store.latest(START.replace(year=2025), START.replace(year=2025) - START)
        except Exception as error:  # noqa: BLE001  whatever it is, the test shows it
            errors.append(error)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert len(contents(store)) == 8 * 40
    store.close()


def test_fifty_stores_opened_and_closed_leave_no_file_and_no_thread(tmp_path: Path) -> None:
    def files() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    files_before, threads_before = files(), threading.active_count()
    for number in range(50):
        store = open_store(tmp_path / f"{number}.db")
        viewer = open_store(tmp_path / f"{number}.db", read_only=True)
        store.add([reading("keel.air_c", 0, 18.5)])
        assert len(contents(viewer)) == 1
        viewer.close()
        store.close()
        with pytest.raises(StoreError):
            open_store(tmp_path / "none.db", read_only=True)
    assert (files(), threading.active_count()) == (files_before, threads_before)


def test_latest_of_live_sensors_costs_no_scan_of_the_day(tmp_path: Path) -> None:
    """Two weeks of 5-minute readings of 30 sensors; the bound is ten times what a slow machine needs."""
    store = open_store(tmp_path / "layday.db")
    minutes = range(0, 14 * 24 * 60, 5)
    store.add([reading(f"bay{i}.air_c", m, float(m)) for m in minutes for i in range(30)])
    at = reading("", minutes[-1], 0.0).at
    began_s = time.perf_counter()
    for _ in range(10):
        assert len(store.latest(at, START.replace(year=2025) - START)) == 30
        assert len(store.latest(at.replace(day=9), START.replace(year=2025) - START)) == 30
    assert (time.perf_counter() - began_s) / 20 < 0.05
    store.close()
