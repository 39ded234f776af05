"""What the store notes for the forwarder, and what it gets from it."""

import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.clock import to_us
from collector.domain import Reading
from collector.errors import StoreError
from collector.forward.spool import LIVE_READINGS, Job, Spool
from collector.store import arrivals, rows
from collector.store.opening import open_store
from collector.store.sqlite import SqliteStore
from tests.collector.store.examples import FAR, START, quick_folder, reading

Key = tuple[str, int]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A store with nothing in it."""
    opened = open_store(tmp_path / "layday.db")
    yield opened
    opened.close()


@pytest.fixture
def spool(store: SqliteStore, tmp_path: Path) -> Iterator[Spool]:
    """The same store as a spool, switched on before the first reading."""
    with Spool(tmp_path / "layday.db") as opened:
        opened.begin("influx://yard/layday/gull")
        yield opened


def keys(spool: Spool, job: Job, limit: int = 1000) -> list[Key]:
    """Take a whole job, piece by piece, and cross it off."""
    found: list[Key] = []
    left: Job | None = job
    while left is not None:
        piece = spool.take(left, limit)
        found += [(part.sensor, at_us) for part in piece.values for at_us in part.times_us]
        spool.advance(left, piece.left)
        left = piece.left
    return found


def everything(spool: Spool, limit: int = 1000) -> list[Key]:
    """Take all there is, live readings first."""
    found = [key for job in spool.claim() for key in keys(spool, job, limit)]
    while (job := spool.oldest_job()) is not None:
        found += keys(spool, job, limit)
    return found


def key(item: Reading) -> Key:
    return item.sensor, to_us(item.at)


def test_nothing_is_noted_before_somebody_forwards(store: SqliteStore, tmp_path: Path) -> None:
    store.add([reading("keel.air_c", 0, 18.5)])
    with Spool(tmp_path / "layday.db") as spool:
        assert spool.backlog().stretches == 0
        assert spool.begin("influx://yard/layday/gull")
        assert spool.backlog().readings == 1  # what was there before goes too
        assert not spool.begin("influx://yard/layday/gull")
        assert everything(spool) == [("keel.air_c", to_us(START))]
        assert spool.backlog() == (0, 0, None, 0)
        assert spool.begin("influx://another/layday/gull")
        assert spool.backlog().readings == 1


def test_a_repeated_reading_is_not_copied_again(store: SqliteStore, spool: Spool) -> None:
    first = [reading("keel.air_c", 0, 18.5)]
    store.add(first)
    assert everything(spool) == [key(first[0])]
    store.add(first)
    assert spool.backlog().stretches == 0


def test_a_day_without_network_is_four_stretches() -> None:
    """One to each six-hour window, however small the batches."""
    with quick_folder() as folder:
        path = Path(folder) / "layday.db"
        store = open_store(path)
        with Spool(path) as spool:
            spool.begin("influx://yard/layday/gull")
            for minute in range(0, 24 * 60, 5):
                store.add([reading("keel.air_c", minute, 1.0), reading("keel.part_c", minute, 1.0)])
            assert spool.backlog()[:2] == (2 * 24 * 12, 4)
        store.close()


def test_a_late_reading_is_copied_and_little_else(store: SqliteStore, spool: Spool) -> None:
    """A day late, when its window is long in a chunk."""
    store.add([reading("keel.air_c", second / 60, 1.0) for second in range(0, 7200, 10)])
    assert len(everything(spool)) == 720
    store.compact(FAR, rest=0.0)
    late = reading("keel.air_c", 60.05, 2.0)
    store.add([reading("keel.air_c", 60 * 24, 1.0), late, reading("sheer.air_c", 60 * 24, 1.0)])
    found = everything(spool)
    assert key(late) in found
    assert len(found) <= 4


def test_live_readings_go_before_what_waits(store: SqliteStore, spool: Spool) -> None:
    store.add([reading("keel.air_c", second / 60, 1.0) for second in range(LIVE_READINGS + 1000)])
    live = reading("keel.air_c", 60 * 24, 1.0)
    assert spool.claim() == []  # too much to be live
    store.add([live])
    (job,) = spool.claim()
    assert keys(spool, job) == [key(live)]
    waiting = spool.oldest_job()
    assert waiting is not None
    assert len(keys(spool, waiting)) == LIVE_READINGS + 1000


def test_a_job_goes_on_where_it_was_left(store: SqliteStore, spool: Spool, tmp_path: Path) -> None:
    every = [reading("keel.air_c", second / 60, 1.0) for second in range(9000)]
    store.add(every)
    spool.claim()
    job = spool.oldest_job()
    assert job is not None
    piece = spool.take(job, 4000)
    spool.advance(job, piece.left)
    with Spool(tmp_path / "layday.db") as again:
        left = again.oldest_job()
        assert left is not None
        assert keys(again, left) == [key(item) for item in every[4000:]]


def test_what_moves_into_chunks_half_way_is_not_missed(store: SqliteStore, spool: Spool) -> None:
    every = [reading(name, minute, 1.0) for minute in range(1000) for name in ("keel.air_c", "sheer.air_c")]
    store.add(every)
    spool.claim()
    found: list[Key] = []
    for limit in (300, 10_000):
        job = spool.oldest_job()
        assert job is not None
        piece = spool.take(job, limit)
        found += [(part.sensor, at_us) for part in piece.values for at_us in part.times_us]
        spool.advance(job, piece.left)
        store.compact(FAR, rest=0.0)
    found += everything(spool)
    assert set(found) == {key(item) for item in every}


@given(
    minutes=st.lists(st.integers(0, 3000), min_size=1, max_size=80),
    sizes=st.lists(st.integers(1, 30), min_size=1, max_size=30),
    seed=st.integers(0, 99),
)
@settings(max_examples=40)
def test_whatever_arrives_in_whatever_order_is_copied(
    minutes: list[int], sizes: list[int], seed: int
) -> None:
    """Batches, claims, pieces and compactions in any order; each reading at least once."""
    random = Random(seed)
    every = [reading(random.choice(("keel.air_c", "keel.part_c")), minute, 1.0) for minute in minutes]
    found: list[Key] = []
    with quick_folder() as folder:
        path = Path(folder) / "layday.db"
        store = open_store(path)
        with Spool(path) as spool:
            spool.begin("influx://yard/layday/gull")
            rest = list(every)
            for size in sizes:
                batch, rest = rest[:size], rest[size:]
                store.add(batch)
                if random.random() < 0.3:
                    store.compact(START + timedelta(minutes=random.randint(0, 4000)), rest=0.0)
                if random.random() < 0.4:
                    found += [k for job in spool.claim() for k in keys(spool, job, random.randint(1, 20))]
                if random.random() < 0.4 and (job := spool.oldest_job()):
                    piece = spool.take(job, random.randint(1, 20))
                    found += [(part.sensor, at_us) for part in piece.values for at_us in part.times_us]
                    spool.advance(job, piece.left)
            store.add(rest)
            found += everything(spool, random.randint(1, 50))
            assert spool.backlog().stretches == 0
        store.close()
    assert set(found) == {key(item) for item in every}


def test_a_server_started_anew_gets_what_it_took_lately_once_more(store: SqliteStore, spool: Spool) -> None:
    store.add([reading("keel.air_c", 0, 1.0)])
    assert spool.settle("run 1", 0) == 0
    for job in spool.claim():
        spool.advance(job, spool.take(job, 10).left, done_us=1000)
    assert spool.backlog().stretches == 0
    assert spool.settle("run 1", 999) == 0
    assert spool.settle("run 2", 999) == 1
    assert everything(spool) == [("keel.air_c", to_us(START))]


def test_what_is_settled_is_crossed_off(store: SqliteStore, spool: Spool) -> None:
    store.add([reading("keel.air_c", 0, 1.0)])
    spool.settle("run 1", 0)
    for job in spool.claim():
        spool.advance(job, spool.take(job, 10).left, done_us=1000)
    assert spool.settle("run 1", 1001) == 0
    assert spool.settle("run 2", 1001) == 0


def test_a_refused_line_is_kept_once_with_its_reason(spool: Spool) -> None:
    spool.bury([("a value=1.0 5", 400, "time out of range")], 7)
    spool.bury([("a value=1.0 5", 400, "time out of range")], 8)
    (letter,) = spool.dead_letters()
    assert (letter.at_us, letter.status, letter.reason, letter.line) == (
        7, 400, "time out of range", "a value=1.0 5",
    )  # fmt: skip
    spool.forget([letter])
    assert spool.backlog().dead_letters == 0


def test_noting_what_arrives_costs_intake_next_to_nothing(store: SqliteStore, spool: Spool) -> None:
    """Half a microsecond a reading is what it may cost; five times that is let pass on a busy machine."""
    batch = [rows.Row(to_us(START) + i, i % 200, 1.0, 0, 0) for i in range(500)]
    taken_s = []
    with store._database.writing() as con:
        for _ in range(50):
            began_s = time.thread_time()
            arrivals.note(con, batch)
            taken_s.append(time.thread_time() - began_s)
    assert sorted(taken_s)[25] / len(batch) < 5 * 0.5e-6


def test_a_missing_store_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store yet"):
        Spool(tmp_path / "none.db")
