"""What every store promises, whatever it keeps readings in."""

import json
from collections.abc import Callable
from dataclasses import astuple
from datetime import datetime, timedelta, timezone
from pathlib import Path
from random import Random

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from collector.clock import from_us, to_us
from collector.domain import Flag, Reading
from collector.errors import StoreError
from collector.store.base import Added, Mark, SensorSpan, State, Store
from collector.store.limits import KEPT_MARKS, KEPT_REJECTED, MAX_REASONS, OTHER_REASONS
from tests.central import KINDS, Central
from tests.collector.store.examples import MAKERS, START, contents, quick_folder, reading, rejected
from tests.collector.store.forwarded import ForwardedStore, as_kept

MINUTE = timedelta(minutes=1)


def test_an_empty_store_answers_with_nothing(store: Store) -> None:
    assert store.sensors() == {}
    assert store.latest(START, timedelta(days=1)) == {}
    samples = store.window("keel.air_c", START, START + MINUTE)
    assert (len(samples.times_us), len(samples.values), len(samples.flags)) == (0, 0, 0)
    assert samples.times_us.dtype == np.int64
    assert samples.values.dtype == np.float64
    assert samples.flags.dtype == np.int64
    assert store.rejected(10) == []
    assert store.rejected_counts() == {}
    assert store.read_state("seen") is None
    assert store.add([]) == Added(0, 0, 0)


def test_a_window_holds_its_start_and_not_its_end_in_order_of_time(store: Store) -> None:
    store.add([reading("keel.air_c", minute, 10.0 + minute) for minute in (3, 1, 0, 2)])
    store.add([reading("sheer.air_c", 1, -5.0)])
    samples = store.window("keel.air_c", START + MINUTE, START + 3 * MINUTE)
    assert samples.times_us.tolist() == [to_us(START + MINUTE), to_us(START + 2 * MINUTE)]
    assert samples.values.tolist() == [11.0, 12.0]
    assert samples.flags.tolist() == [0, 0]


def test_adding_again_repeats_and_another_value_conflicts_and_the_first_stays(store: Store) -> None:
    first = [reading("keel.air_c", 0, 18.5), reading("keel.air_c", 1, 18.6)]
    assert store.add(first) == Added(2, 0, 0)
    again = [first[0], reading("keel.air_c", 1, 99.0), reading("keel.air_c", 2, 18.7)]
    assert store.add(again) == Added(new=1, repeated=1, conflicting=1)
    assert store.window("keel.air_c", START, START + 5 * MINUTE).values.tolist() == [18.5, 18.6, 18.7]


def test_the_first_of_two_readings_in_one_batch_wins(store: Store) -> None:
    batch = [reading("keel.air_c", 0, 18.5), reading("keel.air_c", 0, 18.5), reading("keel.air_c", 0, 3.0)]
    assert store.add(batch) == Added(new=1, repeated=1, conflicting=1)
    assert store.window("keel.air_c", START, START + MINUTE).values.tolist() == [18.5]


def test_marks_come_back_in_their_order(own_store: Store) -> None:
    assert own_store.marks() == []
    marks = [Mark(2**63 - 1, START), Mark(0, START + MINUTE), Mark(7, START)]
    own_store.add([reading("keel.air_c", 0, 18.5)], (), marks[:2])
    own_store.add([], (), marks[2:])
    own_store.add([reading("keel.air_c", 1, 18.5)])
    assert own_store.marks() == marks


def test_only_the_newest_marks_stay(own_store: Store) -> None:
    for first in range(0, KEPT_MARKS + 6000, 2000):
        own_store.add([], (), [Mark(i, START) for i in range(first, first + 2000)])
    kept = own_store.marks()
    assert len(kept) == KEPT_MARKS
    assert kept[-1].digest == KEPT_MARKS + 5999


def test_every_part_of_a_reading_comes_back(store: Store) -> None:
    flags = Flag.JUMP | Flag.CLOCK_OFF
    kept = reading("keel.part_c", 0.123457, 17.000000000000004, flags=flags)
    store.add([kept])
    there = as_kept(store, kept)
    assert store.latest(kept.at, MINUTE) == {"keel.part_c": there}
    assert store.window("keel.part_c", there.at, there.at + MINUTE).flags.tolist() == [int(flags)]


def test_a_time_with_another_offset_is_the_same_time(store: Store) -> None:
    here = reading("keel.air_c", 0, 18.5)
    there = here._replace(at=here.at.astimezone(timezone(timedelta(hours=-5))))
    assert store.add([here, there]) == Added(1, 1, 0)
    assert store.latest(here.at, MINUTE)["keel.air_c"].at.utcoffset() == timedelta(0)


def test_sensors_tell_their_first_and_last_reading(store: Store) -> None:
    store.add([reading("sheer.air_c", 5, 1.0), reading("keel.air_c", 7, 1.0)])
    store.add([reading("keel.air_c", 2, 1.0), reading("keel.air_c", 9, 1.0), reading("keel.air_c", 3, 1.0)])
    assert store.sensors() == {
        "keel.air_c": SensorSpan(START + 2 * MINUTE, START + 9 * MINUTE),
        "sheer.air_c": SensorSpan(START + 5 * MINUTE, START + 5 * MINUTE),
    }


@pytest.mark.parametrize(
    ("minute", "within_min", "expected"),
    [
        (100, 60, {"keel": 90.0, "sheer": 50.0}),  # all heard since
        (100, 50, {"keel": 90.0}),  # the stretch does not hold its start
        (100, 51, {"keel": 90.0, "sheer": 50.0}),
        (100, 5, {}),  # all silent
        (50, 60, {"keel": 50.0, "sheer": 50.0}),  # a moment in the past, itself in the stretch
        (49.9, 60, {"keel": 40.0, "sheer": 30.0}),
        (49.9, 15, {"keel": 40.0}),
        (-1, 60, {}),  # before anything
    ],
)
def test_latest_gives_the_newest_of_each_sensor_heard_in_the_stretch(
    store: Store, minute: float, within_min: float, expected: dict[str, float]
) -> None:
    store.add([reading("keel.air_c", m, m) for m in range(0, 100, 10)])
    store.add([reading("sheer.air_c", m, m) for m in (10, 30, 50)])
    found = store.latest(START + minute * MINUTE, within_min * MINUTE)
    assert {name.removesuffix(".air_c"): r.value for name, r in found.items()} == expected


def test_latest_finds_a_sensor_that_fell_silent_long_before_a_past_moment(store: Store) -> None:
    busy = [reading(f"bay{i}.air_c", m, m) for m in range(3000) for i in range(3)]
    store.add([reading("keel.air_c", 1, 18.5), *busy, reading("keel.air_c", 2999, 19.5)])
    found = store.latest(START + 2500 * MINUTE, timedelta(days=3))
    assert found["keel.air_c"].value == 18.5
    assert found["bay2.air_c"].value == 2500.0
    assert "keel.air_c" not in store.latest(START + 2500 * MINUTE, timedelta(days=1))


def test_a_rollup_sums_up_steps_of_readings_without_a_flag(store: Store) -> None:
    store.add([reading("keel.air_c", m, float(m)) for m in range(0, 180, 10)])
    store.add([reading("keel.air_c", 15, 85.0, flags=Flag.POWER_ON)])
    store.add([reading("keel.air_c", 300, -4.5), reading("sheer.air_c", 20, 1000.0)])
    found = store.rollup("keel.air_c", START, START + 330 * MINUTE, timedelta(hours=1))
    assert found.times_us.tolist() == [to_us(START) + h * 3_600_000_000 for h in range(6)]
    assert found.counts.tolist() == [6, 6, 6, 0, 0, 1]
    np.testing.assert_array_equal(found.lowest, [0, 60, 120, np.nan, np.nan, -4.5])
    np.testing.assert_array_equal(found.highest, [50, 110, 170, np.nan, np.nan, -4.5])
    np.testing.assert_array_equal(found.means, [25, 85, 145, np.nan, np.nan, -4.5])


def test_a_rollup_of_nothing_is_empty_and_an_impossible_one_is_refused(store: Store) -> None:
    hour = timedelta(hours=1)
    assert store.rollup("keel.air_c", START, START, hour).counts.tolist() == []
    assert store.rollup("keel.air_c", START, START + hour, hour).counts.tolist() == [0]
    with pytest.raises(ValueError, match="a step must be above 0"):
        store.rollup("keel.air_c", START, START + hour, timedelta(0))
    with pytest.raises(ValueError, match="lies before the start"):
        store.rollup("keel.air_c", START + hour, START, hour)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_a_value_that_is_no_number_is_refused_with_its_whole_batch(own_store: Store, value: float) -> None:
    with pytest.raises(ValueError, match=r"keel\.air_c .* is not a finite number"):
        own_store.add([reading("sheer.air_c", 0, 1.0), reading("keel.air_c", 0, value)], [rejected(1)])
    assert own_store.sensors() == {}
    assert own_store.rejected_counts() == {}


def test_a_time_without_an_offset_is_refused_with_its_whole_batch(store: Store) -> None:
    naive = reading("keel.air_c", 0, 1.0)._replace(at=datetime(2024, 1, 1))  # noqa: DTZ001  the mistake itself
    with pytest.raises(ValueError, match="no UTC offset"):
        store.add([reading("sheer.air_c", 0, 1.0), naive])
    assert store.sensors() == {}


def test_rejected_messages_come_back_newest_first_and_are_counted_by_reason(own_store: Store) -> None:
    own_store.add([], [rejected(1), rejected(2, "too large")])
    own_store.add([reading("keel.air_c", 0, 1.0)], [rejected(3)])
    assert own_store.rejected(2) == [rejected(3), rejected(2, "too large")]
    assert own_store.rejected(0) == []
    assert own_store.rejected_counts() == {"not JSON": 2, "too large": 1}


def test_only_the_newest_rejected_messages_are_kept_but_all_are_counted(own_store: Store) -> None:
    count = KEPT_REJECTED + 700
    for i in range(0, count, 100):
        own_store.add([], [rejected(number) for number in range(i, i + 100)])
    kept = own_store.rejected(2 * count)
    assert len(kept) == KEPT_REJECTED
    assert kept[0] == rejected(count - 1)
    assert kept[-1] == rejected(count - KEPT_REJECTED)
    assert own_store.rejected_counts() == {"not JSON": count}


def test_a_flood_of_different_reasons_does_not_grow_the_counts(own_store: Store) -> None:
    own_store.add([], [rejected(i, f"reason {i}") for i in range(MAX_REASONS + 50)])
    own_store.add([], [rejected(1, "reason 1"), rejected(2, "one more")])
    counts = own_store.rejected_counts()
    assert len(counts) == MAX_REASONS + 1
    assert counts["reason 1"] == 2
    assert counts[OTHER_REASONS] == 51


def test_a_hostile_rejected_message_is_cut_and_escaped(own_store: Store) -> None:
    hostile = rejected(1)
    hostile = type(hostile)(
        hostile.received_at, "listener", "bad\udcff\0" + "x" * 70_000, "r" * 9999, b"p" * 70_000, 70_000
    )
    own_store.add([], [hostile])
    (kept,) = own_store.rejected(1)
    assert kept.topic.startswith("bad\\udcff\0xxx")
    assert (len(kept.topic), len(kept.reason), len(kept.payload_head)) == (300, 300, 512)
    assert kept.size_bytes == 70_000


def test_state_is_replaced_under_its_key(own_store: Store) -> None:
    own_store.write_state("sources", State('{"a": 1}', START))
    own_store.write_state("sources", State('{"a": 2}', START + MINUTE))
    own_store.write_state("other", State("{}", START))
    assert own_store.read_state("sources") == State('{"a": 2}', START + MINUTE)
    assert own_store.read_state("other") == State("{}", START)


def test_a_stretch_of_readings_comes_back_in_order_and_whole(store: Store) -> None:
    """More readings than one request takes, in shuffled batches, some of them twice."""
    every = [reading("keel.air_c", second / 60, 12.0 + second / 128) for second in range(4500)]
    shuffled = Random(5).sample(every, len(every))
    assert store.add(shuffled[:3000]) == Added(new=3000, repeated=0, conflicting=0)
    assert store.add(shuffled[2500:]) == Added(new=1500, repeated=500, conflicting=0)
    found = store.window("keel.air_c", START, START + timedelta(days=1))
    assert found.times_us.tolist() == [to_us(r.at) for r in every]
    assert found.values.tolist() == [r.value for r in every]


def test_another_shed_on_the_same_central_store_is_not_seen(store: Store, tmp_path: Path) -> None:
    store.add([reading("keel.air_c", 0, 18.5)])
    if isinstance(store, ForwardedStore):
        other = store.another(tmp_path / "other.db")
        other.add([reading("keel.air_c", 1, 3.0), reading("sheer.air_c", 1, 3.0)])
        other.close()
    assert list(store.sensors()) == ["keel.air_c"]
    assert store.window("keel.air_c", START, START + 5 * MINUTE).values.tolist() == [18.5]
    assert list(store.latest(START + 5 * MINUTE, 10 * MINUTE)) == ["keel.air_c"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_text_comes_back_from_a_central_store_and_the_newest_one_stands(
    kind: str, centrals: Callable[[str], Central], tmp_path: Path
) -> None:
    """As long as a season's journal, of any letters; two texts of one moment do not spoil each other."""
    store = ForwardedStore(centrals(kind), tmp_path / "layday.db")
    long = json.dumps({"words": [f"{i} µ°é {i * i}" for i in range(3000)]})
    for text in ("first", long, "laid at nine, kicked at half past"):
        store.tell("journal", text)
        kept = store.read_state("journal")
        assert kept is not None
        assert kept.text == text
    assert store.read_state("outlook") is None
    store.close()


@pytest.mark.parametrize("kind", KINDS)
def test_a_central_store_is_only_read(kind: str, centrals: Callable[[str], Central], tmp_path: Path) -> None:
    store = ForwardedStore(centrals(kind), tmp_path / "layday.db")
    with pytest.raises(StoreError, match="only read from here"):
        store.reader.add([reading("keel.air_c", 0, 18.5)])
    with pytest.raises(StoreError, match="only read from here"):
        store.reader.write_state("seen", State("{}", START))
    store.close()


_readings = st.builds(
    lambda sensor, at_us, value, delay_us, flags: Reading(
        sensor, from_us(at_us), value, from_us(at_us + delay_us), Flag(flags)
    ),
    st.sampled_from(["keel.air_c", "keel.part_c", "sheer.humidity_pct"]),
    st.one_of(
        st.integers(0, 30),
        st.integers(1_700_000_000_000_000, 1_700_000_000_000_030),
        st.integers(0, 7_000_000_000_000_000),
    ),
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(-(10**12), 10**12),
    st.integers(0, 1023),
)


_LAST_MS = 1_760_000_000_000
_recent = st.builds(
    lambda sensor, at_ms, value, delay_ms, flags: Reading(
        sensor, from_us(at_ms * 1000), value, from_us((at_ms + delay_ms) * 1000), Flag(flags)
    ),
    st.sampled_from(["keel.air_c", "keel.part_c", "sheer.humidity_pct"]),
    st.one_of(st.integers(1_700_000_000_000, 1_700_000_000_030), st.integers(1_000_000_000_000, _LAST_MS)),
    st.decimals(-1000, 1000, places=4).map(float),
    st.integers(-(10**9), 10**9),
    st.integers(0, 1023),
)


def _round_trip(make: Callable[[Path], Store], batches: list[list[Reading]], at_us: int) -> None:
    expected: dict[tuple[str, int], Reading] = {}
    with quick_folder() as folder:
        store = make(Path(folder) / "layday.db")
        for batch in batches:
            counts = [0, 0, 0]
            for r in batch:
                first = expected.setdefault((r.sensor, to_us(r.at)), r)
                counts[0 if first is r else 1 if first.value == r.value else 2] += 1
            assert store.add(batch) == tuple(counts)
        assert contents(store) == {key: (r.value, int(r.flags)) for key, r in expected.items()}
        newest: dict[str, Reading] = {}
        for (name, when_us), r in sorted(expected.items()):
            if when_us <= at_us:
                newest[name] = r
        assert store.latest(from_us(at_us), timedelta(days=100_000)) == newest
        store.close()


@pytest.mark.parametrize("kind", KINDS)
@given(
    batches=st.lists(st.lists(_recent, max_size=12), max_size=3),
    at_ms=st.integers(1_000_000_000_000, _LAST_MS),
)
@settings(max_examples=10, deadline=None, phases=[Phase.explicit, Phase.generate])
def test_whatever_is_forwarded_comes_back_once(
    kind: str, centrals: Callable[[str], Central], batches: list[list[Reading]], at_ms: int
) -> None:
    """As above, on whole milliseconds of this century: what VictoriaMetrics keeps."""
    central = centrals(kind)
    _round_trip(lambda path: ForwardedStore(central, path), batches, at_ms * 1000)


@pytest.mark.parametrize("make", MAKERS.values(), ids=MAKERS.keys())
@given(
    batches=st.lists(st.lists(_readings, max_size=12), max_size=4),
    at_us=st.one_of(st.integers(0, 30), st.integers(0, 8_000_000_000_000_000)),
)
@settings(max_examples=60, deadline=None)
def test_whatever_goes_in_comes_out_once(
    make: Callable[[Path], Store], batches: list[list[Reading]], at_us: int
) -> None:
    """Random readings, in random order, some twice, some with another value."""
    _round_trip(make, batches, at_us)


@pytest.mark.parametrize("make", [MAKERS["sqlite"], MAKERS["compacted"]], ids=["sqlite", "compacted"])
@given(
    minutes=st.lists(st.tuples(st.integers(0, 5000), st.sampled_from([0, 0, 0, 1])), max_size=60),
    start_min=st.sampled_from([0, 60, 61, 600]),
    length_min=st.integers(0, 5000),
    step_min=st.sampled_from([1, 30, 60, 120, 420]),
)
@settings(max_examples=60, deadline=None)
def test_a_rollup_is_what_the_readings_in_the_stretch_say(
    make: Callable[[Path], Store],
    minutes: list[tuple[int, int]],
    start_min: int,
    length_min: int,
    step_min: int,
) -> None:
    """Counts and extremes exactly; means within rounding of a sum of 60 values (1e-12)."""
    readings = [reading("keel.air_c", m + 0.5, m * 0.37, flags=Flag(f)) for m, f in minutes]
    start, step = START + start_min * MINUTE, step_min * MINUTE
    with quick_folder() as folder:
        store = make(Path(folder) / "layday.db")
        memory = MAKERS["memory"](Path(folder))
        for batch in (readings[::2], readings[1::2]):
            store.add(batch)
            memory.add(batch)
        found = store.rollup("keel.air_c", start, start + length_min * MINUTE, step)
        together = store.rollups(start, start + length_min * MINUTE, step)
        store.close()
    assert set(together) == ({"keel.air_c"} if readings else set())
    for each in together.values():
        for one, other in zip(astuple(each), astuple(found), strict=True):
            np.testing.assert_allclose(one, other, rtol=1e-12)
    plain = memory.window("keel.air_c", start, start + length_min * MINUTE)
    for i, at_us in enumerate(found.times_us.tolist()):
        inside = (plain.times_us >= at_us) & (plain.times_us < at_us + step_min * 60_000_000)
        values = plain.values[inside & (plain.flags == 0)]
        assert found.counts[i] == len(values)
        if len(values):
            assert (found.lowest[i], found.highest[i]) == (values.min(), values.max())
            assert found.means[i] == pytest.approx(values.mean(), rel=1e-12)
    assert len(found.times_us) == -(-length_min // step_min)
