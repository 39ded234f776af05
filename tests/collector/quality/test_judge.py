"""One sensor, or a few, that go wrong in one way each: the flag, when it comes, and when it goes."""

import json
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import to_us
from collector.domain import Flag, Reading
from collector.errors import StoreError
from collector.quality import STATE_KEY, Judge, seeded_judge
from collector.store.base import State
from collector.store.memory import MemoryStore

START = datetime(2026, 4, 3, 2, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def series(
    sensor: str, values: Iterable[float], start: datetime = START, step: timedelta = MINUTE
) -> list[Reading]:
    found = []
    for i, value in enumerate(values):
        at = start + i * step
        found.append(Reading(sensor, at, value, at + timedelta(milliseconds=30)))
    return found


def flags(readings: Sequence[Reading], judge: Judge | None = None) -> list[Flag]:
    return [reading.flags for reading in (judge or Judge()).judge(readings)]


def lively(count: int, around: float = 18.0) -> list[float]:
    """Return values that move a little, as a good sensor's do."""
    return [around + 0.01 * (i % 7) for i in range(count)]


def by_time(*parts: Sequence[Reading]) -> list[Reading]:
    return sorted((reading for part in parts for reading in part), key=lambda reading: reading.at)


def test_a_spike_is_a_jump_and_what_follows_is_sound() -> None:
    found = flags(series("keel.air_c", [18.0, 18.1, 45.0, 18.2, 18.1]))
    assert found == [Flag.NONE, Flag.NONE, Flag.JUMP, Flag.NONE, Flag.NONE]


def test_a_step_that_stays_is_taken_for_true_from_its_second_reading() -> None:
    found = flags(series("keel.air_c", [18.0, 18.1, 40.0, 40.1, 40.0]))
    assert found == [Flag.NONE, Flag.NONE, Flag.JUMP, Flag.NONE, Flag.NONE]


def test_a_loose_contact_that_leaps_about_is_an_impossible_rate() -> None:
    found = flags(series("keel.part_c", [18.0, 40.0, -3.0, 55.0, 12.0, 18.0]))
    assert found == [Flag.NONE, Flag.JUMP, Flag.RATE, Flag.RATE, Flag.NONE, Flag.NONE]


def test_a_heater_that_starts_or_a_door_that_opens_is_no_jump() -> None:
    assert not any(flags(series("keel.air_c", [10, 14, 20, 26, 31, 33, 27, 20, 15], step=MINUTE)))
    assert not any(flags(series("keel.humidity_pct", [85, 60, 55, 80, 95], step=MINUTE)))


def test_a_switch_or_the_sun_may_leap_and_stand_still() -> None:
    assert not any(flags(series("heater.on", [0, 1] * 5 + [1] * 3000)))
    assert not any(flags(series("outdoor.sun_w_m2", [0, 900, 20, 1000] + [0] * 3000)))


def test_a_probe_that_just_got_power_says_85() -> None:
    found = flags(series("keel.part_c", [85.0, 18.0, 18.1, 85.0, 85.0, 18.1]))
    power_on, none = Flag.POWER_ON, Flag.NONE
    assert found == [power_on, none, none, power_on, power_on, none]


def test_a_part_that_is_heated_to_85_is_believed() -> None:
    assert not any(flags(series("keel.part_c", [78.0, 81.0, 83.5, 85.0, 85.0, 86.0])))


def test_a_dead_probe_says_0() -> None:
    found = flags(series("keel.part_c", [0.0, 18.0, 0.0, 0.0, 18.0]))
    assert found == [Flag.ALL_ZERO, Flag.NONE, Flag.ALL_ZERO, Flag.ALL_ZERO, Flag.NONE]
    assert flags(series("keel.humidity_pct", [60.0, 0.0]))[1] is Flag.ALL_ZERO


def test_a_frosty_night_goes_through_0() -> None:
    assert not any(flags(series("keel.part_c", [2.0, 1.0, 0.5, 0.0, 0.0, -0.5, 0.0, 1.0])))


def test_an_hourly_weather_station_in_whole_degrees_goes_through_0() -> None:
    hourly = [6, 2, 0, 0, -1, 0, 5, 0, 8]
    assert not any(flags(series("outdoor.air_c", hourly, step=timedelta(hours=1))))
    assert not any(flags(series("outdoor.air_c", [0, 0, 4, 0], step=timedelta(hours=3))))


def test_humidity_pinned_at_100_is_a_wet_sensor_after_half_an_hour_and_until_it_has_dried() -> None:
    values = [92.0, 97.0, *[100.0] * 40, 98.5, 97.5, 96.0, 90.0]
    found = flags(series("keel.humidity_pct", values))
    assert not any(found[:32])
    assert set(found[32:44]) == {Flag.PINNED}
    assert found[44:] == [Flag.NONE, Flag.NONE]


def test_fog_may_stand_outdoors_for_days() -> None:
    assert not any(flags(series("outdoor.humidity_pct", [100.0] * 3000)))


def test_a_stuck_sensor_is_known_after_sixteen_hours_while_it_is_new() -> None:
    hours = 20
    stuck = series("keel.air_c", [*lively(60), *[18.37] * (60 * hours)])
    other = series("sheer.air_c", lively(60 * (hours + 1), 15.0))
    judge = Judge()
    judged = [r for r in judge.judge(by_time(stuck, other)) if r.flags]
    assert {r.sensor for r in judged} == {"keel.air_c"}
    assert {r.flags for r in judged} == {Flag.STUCK}
    since = judged[0].at - stuck[60].at
    assert timedelta(hours=15, minutes=45) < since < timedelta(hours=16, minutes=15)


def test_a_stuck_sensor_is_known_within_four_hours_once_it_was_lively_for_a_week() -> None:
    days = 8
    lively_count, stuck_count = 288 * days, 100
    stuck = series(
        "keel.air_c", [*lively(lively_count), *[18.37] * stuck_count, 18.5], step=timedelta(minutes=5)
    )
    other = series("sheer.air_c", lively(lively_count + stuck_count), step=timedelta(minutes=5))
    judged = [r for r in Judge().judge(by_time(stuck, other)) if r.flags]
    assert {r.flags for r in judged} == {Flag.STUCK}
    assert judged[0].at - stuck[lively_count].at < timedelta(hours=4)
    assert judged[-1].at == stuck[-2].at  # the first reading that moves is sound again


def test_a_sensor_that_moves_between_two_closer_looks_and_comes_back_is_not_stuck() -> None:
    """It is looked at every ten minutes, and stands at 18.4 just then."""
    minutes = 60 * 24
    back_again = series("keel.air_c", [18.4 if i % 10 == 0 else 18.3 for i in range(minutes)])
    other = series("sheer.air_c", lively(minutes, 15.0))
    assert not any(flags(by_time(back_again, other)))


def test_a_shed_in_which_nothing_moves_is_not_stuck() -> None:
    """All of them still at once is a calm night with coarse sensors, or a frozen node: a day must pass."""
    names = ("keel.air_c", "sheer.air_c", "keel.part_c")
    readings = by_time(*(series(name, [18.0] * 72, step=timedelta(minutes=15)) for name in names))
    assert not any(flags(readings))


def test_one_sensor_alone_is_stuck_after_a_day() -> None:
    found = flags(series("keel.air_c", [18.0, 18.1, *[18.2] * 120], step=timedelta(minutes=15)))
    assert not any(found[:98])
    assert set(found[101:]) == {Flag.STUCK}


def test_one_of_three_that_stands_apart_for_half_an_hour_disagrees() -> None:
    calm = [series(f"{bay}.air_c", lively(200)) for bay in ("bow", "sheer")]
    odd = series("keel.air_c", [18.0 + 0.01 * (i % 5) + min(max(i - 60, 0), 25) for i in range(200)])
    judged = [r for r in Judge().judge(by_time(*calm, odd)) if r.flags]
    assert {(r.sensor, r.flags) for r in judged} == {("keel.air_c", Flag.DISAGREES)}
    assert timedelta(minutes=105) < judged[0].at - START < timedelta(minutes=130)


def test_of_two_that_differ_nobody_can_say_which_is_wrong() -> None:
    calm = series("sheer.air_c", lively(200))
    odd = series("keel.air_c", [18.0 + min(max(i - 60, 0), 25) for i in range(200)])
    outdoors = series("outdoor.air_c", lively(200))  # no third: it is not of the shed
    assert not any(flags(by_time(calm, odd, outdoors)))


def test_a_bay_that_is_always_colder_does_not_disagree() -> None:
    warm = [series(f"{bay}.air_c", lively(300, 30.0)) for bay in ("bow", "keel")]
    assert not any(flags(by_time(*warm, series("sheer.air_c", lively(300, 8.0)))))


def test_two_sensors_that_were_exchanged_are_told_by_steps_that_mirror_one_another() -> None:
    warm = series("keel.air_c", [*lively(30, 24.0), *lively(60, 16.0), *lively(30, 24.0)])
    cold = series("sheer.air_c", [*lively(30, 16.0), *lively(60, 24.0), *lively(30, 16.0)])
    judged = Judge().judge(by_time(warm, cold))
    swapped = [r for r in judged if r.flags]
    assert {r.flags for r in swapped} == {Flag.SWAPPED}
    assert {r.sensor for r in swapped} == {"keel.air_c", "sheer.air_c"}
    # from the exchange (the first of the two is known with the second) until they are exchanged back
    assert swapped[0].at == START + 30 * MINUTE
    assert swapped[-1].at <= START + 90 * MINUTE
    assert len(swapped) >= 119


def test_both_bays_warming_together_is_no_exchange() -> None:
    steps = [16.0] * 3 + [20.0] * 3 + [24.0] * 3
    assert not any(flags(by_time(series("keel.air_c", steps), series("sheer.air_c", steps[::-1][:1] * 9))))


def late(sensor: str, count: int, delay: timedelta) -> list[Reading]:
    return [
        Reading(sensor, START + i * MINUTE, 18.0 + i % 3, START + i * MINUTE + delay) for i in range(count)
    ]


def test_a_clock_that_is_ahead_is_known_at_once_and_nothing_is_dropped() -> None:
    found = flags(late("keel.air_c", 5, -timedelta(hours=2)))
    assert found == [Flag.CLOCK_OFF] * 5


def test_a_clock_that_is_hours_behind_is_known_within_half_an_hour() -> None:
    found = flags(late("keel.air_c", 60, timedelta(hours=2, seconds=2)))
    assert not any(found[:10])
    assert set(found[30:]) == {Flag.CLOCK_OFF}


def test_a_node_that_sends_in_batches_has_a_good_clock() -> None:
    """Ten readings every ten minutes: the first of each is nine minutes late, the last in time."""
    readings = []
    for i in range(240):
        at = START + i * MINUTE
        sent_at = START + (i // 10 * 10 + 9) * MINUTE + timedelta(seconds=1)
        readings.append(Reading("keel.air_c", at, 18.0 + i % 3, sent_at))
    assert not any(flags(readings))


def test_readings_that_waited_for_their_connection_have_a_good_clock() -> None:
    back_at = START + timedelta(hours=8)
    waited = [
        Reading("keel.air_c", START + i * MINUTE, 18.0 + i % 3, back_at + i * timedelta(milliseconds=50))
        for i in range(480)
    ]
    judge = Judge()
    assert not any(flags(waited, judge))
    assert not any(flags(series("keel.air_c", [18.0, 18.1], start=back_at + MINUTE), judge))


def test_a_right_clock_clears_the_flag() -> None:
    judge = Judge()
    assert all(flags(late("keel.air_c", 3, -timedelta(hours=1)), judge))
    assert not any(flags(series("keel.air_c", [18.0, 18.1], START + timedelta(minutes=5)), judge))


def test_a_reading_that_comes_again_changes_nothing() -> None:
    judge = Judge()
    readings = series("keel.air_c", [18.0, 18.1, 45.0])
    assert flags(readings, judge)[-1] is Flag.JUMP
    assert flags(readings[:2], judge) == [Flag.NONE, Flag.NONE]
    assert flags(series("keel.air_c", [18.2], START + 3 * MINUTE), judge) == [Flag.NONE]


def test_what_a_reading_came_with_stays() -> None:
    readings = [r._replace(flags=Flag.OUT_OF_RANGE) for r in series("keel.air_c", [300.0])]
    assert flags(readings) == [Flag.OUT_OF_RANGE]


def test_a_restart_forgets_neither_what_stands_nor_what_was_learned() -> None:
    store, first = MemoryStore(), Judge()
    week = series("keel.air_c", [*lively(2000), *[18.37] * 20], step=timedelta(minutes=5))
    others = series("sheer.air_c", lively(2200), step=timedelta(minutes=5))
    store.add(first.judge(by_time(week, others[:2020])))
    now = week[-1].at + MINUTE
    store.write_state(STATE_KEY, State(first.learned(), now))
    second = seeded_judge(store, now)
    more = series("keel.air_c", [18.37] * 60, week[-1].at + timedelta(minutes=5), timedelta(minutes=5))
    judged = second.judge(by_time(more, others[2020:]))
    stuck = [r for r in judged if r.flags]
    assert {r.flags for r in stuck} == {Flag.STUCK}
    assert stuck[0].at - week[2000].at < timedelta(hours=4)  # a new sensor would be given sixteen
    store.add(judged)
    third = seeded_judge(store, stuck[-1].at + MINUTE)
    assert flags(series("keel.air_c", [18.37, 18.4], stuck[-1].at + 5 * MINUTE), third) == [
        Flag.STUCK,
        Flag.NONE,
    ]


STILL = series("keel.air_c", [18.37], START)


def restarted(text: str | None, *kept: Reading) -> Judge:
    """Return the judge of a shed with these newest readings, and what an earlier judge left."""
    store = MemoryStore()
    store.add(kept)
    if text is not None:
        store.write_state(STATE_KEY, State(text, START))
    return seeded_judge(store, START + MINUTE)


def left(changed_at: datetime, value: float, longest_s: float = 1800.0) -> str:
    row = [longest_s, to_us(changed_at), value]
    return json.dumps({"schema": "layday/quality/1", "sensors": {"keel.air_c": row}})


def stuck_after(judge: Judge, step: timedelta = 5 * MINUTE) -> timedelta | None:
    """Return how long after the restart a sensor that stands still beside a lively one is stuck."""
    still = series("keel.air_c", [18.37] * 1400, START + MINUTE, step)
    beside = series("sheer.air_c", lively(1400), START + MINUTE, step)
    return next((one.at - START for one in judge.judge(by_time(still, beside)) if one.flags), None)


def test_a_rest_goes_on_through_a_restart() -> None:
    """Its longest was an hour, so four are too long: two and a half before the restart count."""
    found = stuck_after(restarted(left(START - timedelta(hours=2.5), 18.37, 3600.0), *STILL))
    assert found is not None
    assert found < timedelta(hours=2)  # a dozen closer looks are wanted all the same
    anew = stuck_after(restarted(left(START, 18.37, 3600.0), *STILL))
    assert anew is not None
    assert anew >= timedelta(hours=4)


@pytest.mark.parametrize(
    ("changed_at", "value"),
    [
        (START - timedelta(hours=9), 17.9),  # left before the value last changed
        (START + timedelta(hours=9), 18.37),  # by a clock that was wrong
        (datetime(1960, 1, 1, tzinfo=UTC), 18.37),
    ],
)
def test_what_was_left_of_another_value_or_clock_says_nothing_of_this_rest(
    changed_at: datetime, value: float
) -> None:
    found = stuck_after(restarted(left(changed_at, value), *STILL))
    assert found is not None
    assert timedelta(hours=2) <= found <= timedelta(hours=2, minutes=30)


def test_a_rest_that_is_beyond_belief_is_cut_to_a_week() -> None:
    """A spoilt number must not keep a sensor from ever being stuck: four weeks, not for good."""
    found = stuck_after(restarted(left(START, 18.37, 1e12), *STILL), 30 * MINUTE)
    assert found is not None
    assert timedelta(days=28) <= found < timedelta(days=28, hours=1)


@pytest.mark.parametrize(
    ("value", "clock_off", "flag"), [(45.0, 0 * MINUTE, Flag.JUMP), (18.37, 120 * MINUTE, Flag.CLOCK_OFF)]
)
def test_another_fault_in_between_does_not_clear_a_stuck_sensor(
    value: float, clock_off: timedelta, flag: Flag
) -> None:
    (still,) = STILL
    judge = restarted(None, still._replace(flags=Flag.STUCK))
    more = series("keel.air_c", [18.37] * 4, START + MINUTE)
    more[2] = more[2]._replace(at=more[2].at + clock_off, value=value)
    assert flags(more, judge) == [Flag.STUCK, Flag.STUCK, flag, Flag.STUCK]


def test_a_sensor_that_was_wet_at_the_restart_still_is_and_a_dry_one_is_not() -> None:
    wet, dry = (
        series(f"{bay}.humidity_pct", [100.0])[0]._replace(flags=flag)
        for bay, flag in (("keel", Flag.PINNED), ("sheer", Flag.NONE))
    )
    judge = restarted(None, wet, dry)
    (still_wet,) = flags(series("keel.humidity_pct", [98.0], START + 20 * MINUTE), judge)
    assert still_wet is Flag.PINNED
    at_the_top = flags(series("sheer.humidity_pct", [100.0] * 21, START + 20 * MINUTE), judge)
    assert not any(at_the_top)


def test_only_of_sensors_that_measure_something_is_anything_left() -> None:
    judge = Judge()
    judge.judge(series("keel.air_c", [18.0]) + series("heater.on", [1.0]))
    assert list(json.loads(judge.learned())["sensors"]) == ["keel.air_c"]


@pytest.mark.parametrize("text", ["", "[]", '{"sensors": 3}', '{"sensors": {"keel.air_c": [1]}}', "{}"])
def test_what_was_learned_may_be_unreadable(text: str) -> None:
    store = MemoryStore()
    store.add(series("keel.air_c", [18.0]))
    store.write_state(STATE_KEY, State(text, START))
    judge = seeded_judge(store, START + MINUTE)
    assert flags(series("keel.air_c", [18.1], START + MINUTE), judge) == [Flag.NONE]


def test_a_store_that_cannot_be_read_is_no_reason_not_to_start() -> None:
    class Away(MemoryStore):
        def read_state(self, key: str) -> State | None:
            raise StoreError("the card is gone")

    assert flags(series("keel.air_c", [18.1]), seeded_judge(Away(), START)) == [Flag.NONE]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(("keel.air_c", "sheer.air_c", "bow.air_c", "keel.humidity_pct", "heater.on")),
            st.integers(-4000, 4000),
            st.one_of(
                st.sampled_from((0.0, 85.0, 100.0, 18.0)),
                st.floats(allow_nan=False, allow_infinity=False),
            ),
            st.integers(-90_000, 90_000),
        ),
        max_size=60,
    )
)
def test_no_reading_is_lost_changed_or_out_of_order(rows: list[tuple[str, int, float, int]]) -> None:
    readings = [
        Reading(name, START + timedelta(minutes=at), value, START + timedelta(minutes=at, seconds=delay))
        for name, at, value, delay in rows
    ]
    judged = Judge().judge(readings)
    assert [reading[:4] for reading in judged] == [reading[:4] for reading in readings]
