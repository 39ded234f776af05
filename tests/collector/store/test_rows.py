"""The rows themselves: how many go in, when a span's end is written, where the newest is sought."""

import sqlite3
from collections.abc import Iterator
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import to_us
from collector.domain import Flag, Reading
from collector.store import rows
from collector.store.base import Added
from collector.store.migrations import migrate
from collector.store.rows import Row, Span
from tests.collector.store.examples import START, reading

MINUTE_US = 60_000_000
ZERO_US = to_us(START)


def opened() -> sqlite3.Connection:
    """A database with the store's own tables, in memory."""
    con = sqlite3.connect(":memory:", isolation_level=None)
    migrate(con)
    return con


@pytest.fixture
def con() -> Iterator[sqlite3.Connection]:
    made = opened()
    yield made
    made.close()


def at(minute: float) -> int:
    return ZERO_US + round(minute * MINUTE_US)


def kept(con: sqlite3.Connection) -> list[tuple[int, int, float]]:
    return con.execute("SELECT sensor, at_us, value FROM reading ORDER BY at_us, sensor").fetchall()


def test_a_reading_is_named_with_its_delay_and_its_flags_and_without_either_with_zero() -> None:
    late = reading("keel.air_c", 1, 18.5, flags=Flag.JUMP)
    assert rows.named([late, Reading("keel.air_c", START, 19, START)]) == [
        ("keel.air_c", at(1), 18.5, 1_500_000, int(Flag.JUMP)),
        ("keel.air_c", at(0), 19.0, 0, 0),
    ]


@pytest.mark.parametrize("count", [0, 1, 99, 100, 101, 199, 200, 201, 350])
def test_a_batch_of_any_size_goes_in_whole_and_is_counted(con: sqlite3.Connection, count: int) -> None:
    """A hundred go to a statement: none may fall between two statements, or into both."""
    batch = [(at(i), 1, float(i), 0, 0) for i in range(count)]
    assert rows.insert(con, batch) == Added(count, 0, 0)
    assert kept(con) == [(1, at(i), float(i)) for i in range(count)]


def test_of_what_is_there_the_same_value_repeats_and_another_conflicts(con: sqlite3.Connection) -> None:
    rows.insert(con, [(at(i), 1, float(i), 0, 0) for i in range(150)])
    again = [(at(i), 1, float(i) + (i % 3 == 0), 0, 0) for i in range(100, 160)]
    conflicts = sum(i % 3 == 0 for i in range(100, 150))
    assert rows.insert(con, again) == Added(10, 50 - conflicts, conflicts)
    assert kept(con)[:150] == [(1, at(i), float(i)) for i in range(150)]


def widened(con: sqlite3.Connection, known: dict[str, Span], sensor: str, minute: float) -> dict[str, Span]:
    """Widen spans for one reading; what was known knows it afterwards."""
    changed = rows.widen_spans(con, [(sensor, at(minute), 20.0, 0, 0)], known)
    known.update(changed)
    return changed


def test_a_span_s_end_is_written_once_in_each_minute_and_its_beginning_at_once(
    con: sqlite3.Connection,
) -> None:
    known: dict[str, Span] = {}
    assert widened(con, known, "keel.air_c", 10.2) == {"keel.air_c": Span(1, at(10.2), at(10.2))}
    assert widened(con, known, "keel.air_c", 10.9) == {}
    assert widened(con, known, "keel.air_c", 11.0) == {"keel.air_c": Span(1, at(10.2), at(11.0))}
    assert widened(con, known, "keel.air_c", 10.5) == {}
    assert widened(con, known, "keel.air_c", 10.1) == {"keel.air_c": Span(1, at(10.1), at(11.0))}
    assert widened(con, known, "sheer.air_c", 10.5) == {"sheer.air_c": Span(2, at(10.5), at(10.5))}
    assert rows.written_spans(con) == known


def test_a_batch_widens_every_sensor_of_it_to_both_sides(con: sqlite3.Connection) -> None:
    """Also of more sensors than one query may name."""
    names = [f"bay{i}.air_c" for i in range(1203)]
    batch = [(name, at(minute), 20.0, 0, 0) for minute in (5, 3, 9) for name in names]
    changed = rows.widen_spans(con, batch, {})
    assert set(changed) == set(names)
    assert {span[1:] for span in changed.values()} == {(at(3), at(9))}
    assert len({span.id for span in changed.values()}) == len(names)


def test_the_true_end_is_looked_up_in_the_minute_after_the_one_written(con: sqlite3.Connection) -> None:
    known: dict[str, Span] = {}
    for sensor, minute in (("keel.air_c", 10.2), ("sheer.air_c", 700.0)):
        widened(con, known, sensor, minute)
    rows.insert(con, [(at(m), 1, 20.0, 0, 0) for m in (10.2, 10.9)] + [(at(700), 2, 20.0, 0, 0)])
    assert rows.spans(con) == {
        "keel.air_c": Span(1, at(10.2), at(10.9)),
        "sheer.air_c": Span(2, at(700), at(700)),
    }


def test_only_those_minutes_are_read_each_once() -> None:
    """Sensors that speak together share their minute; the year between two that fell silent is not read."""
    ends = [at(0), at(0.5), at(1.5), at(2.6), at(500_000)]
    assert rows._minutes_after(ends) == [(at(0), at(2.5)), (at(2.6), at(3.6)), (at(500_000), at(500_001))]


def stretch_of(con: sqlite3.Connection, minutes: dict[int, list[int]]) -> list[Span]:
    """Fill in readings (sensor: minutes) whose values tell sensor and minute; return the spans."""
    batch = [(at(m), sensor, 1000.0 * sensor + m, 7, 1) for sensor, all_of in minutes.items() for m in all_of]
    rows.insert(con, sorted(batch))
    return [Span(sensor, at(min(found)), at(max(found))) for sensor, found in minutes.items()]


@given(
    st.dictionaries(
        st.integers(1, 6), st.lists(st.integers(0, 40), min_size=1, max_size=6, unique=True), min_size=1
    ),
    st.integers(-2, 43),
    st.integers(1, 45),
)
def test_the_newest_row_of_each_sensor_is_the_newest_in_the_stretch(
    minutes: dict[int, list[int]], moment: int, within: int
) -> None:
    con = opened()
    try:
        spans = stretch_of(con, minutes)
        found = rows.newest(con, spans, at(moment - within), at(moment))
    finally:
        con.close()
    expected = {}
    for sensor, all_of in minutes.items():
        inside = [m for m in all_of if moment - within < m <= moment]
        if inside:
            expected[sensor] = Row(at(max(inside)), sensor, 1000.0 * sensor + max(inside), 7, 1)
    assert found == expected


def test_of_more_sensors_than_a_query_may_name_each_is_found_and_no_other(con: sqlite3.Connection) -> None:
    spans = stretch_of(con, {sensor: [1, 2 + sensor % 30, 60] for sensor in range(1, 700)})
    asked = spans[:600]
    found = rows.newest(con, asked, at(0), at(40))
    assert {sensor: row.at_us for sensor, row in found.items()} == {
        span.id: at(2 + span.id % 30) for span in asked
    }


def test_a_past_moment_is_sought_from_its_end_backwards(con: sqlite3.Connection) -> None:
    """A year of readings is not read to find that all spoke in its last minute."""
    spans = stretch_of(con, {sensor: [0, 500_000, 500_010] for sensor in (1, 2)})
    asked: list[str] = []
    con.set_trace_callback(asked.append)
    found = rows.newest(con, spans, at(-1), at(500_000.5))
    assert {row.at_us for row in found.values()} == {at(500_000)}
    [only] = [text for text in asked if "max(at_us)" in text]
    assert f"at_us > {at(499_999.5)} AND at_us <= {at(500_000.5)}" in only


def test_a_sensor_whose_last_reading_is_asked_for_is_looked_up_and_not_sought(
    con: sqlite3.Connection,
) -> None:
    """Every screen asks for the newest reading each second; a sensor yet to be heard has none."""
    spans = [*stretch_of(con, {1: [0, 10], 2: [3, 9]}), Span(3, at(11), at(20))]
    asked: list[str] = []
    con.set_trace_callback(asked.append)
    found = rows.newest(con, spans, at(5), at(10))
    assert {sensor: row.at_us for sensor, row in found.items()} == {1: at(10), 2: at(9)}
    assert len(asked) == 2


def test_a_sensor_long_silent_is_found_in_few_steps(con: sqlite3.Connection) -> None:
    """Steps double, so a year takes some twenty and not half a million."""
    spans = stretch_of(con, {1: [0, 500_010]})
    asked: list[str] = []
    con.set_trace_callback(asked.append)
    found = rows.newest(con, spans, to_us(START - timedelta(minutes=1)), at(500_000))
    assert found[1].at_us == at(0)
    assert len(asked) < 25
