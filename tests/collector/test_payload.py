"""From one message's bytes to readings, or to the reason why not."""

import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain import Flag, Reading
from collector.feed_config import FeedConfig
from collector.payload import Decoded, build_routes, decode
from collector.sensor_config import SensorConfig
from collector.source import Message
from collector.values import split_pointer

RECEIVED = datetime(2026, 4, 3, 2, 30, tzinfo=UTC)
MEASURED = datetime(2026, 4, 3, 2, 29, 58, tzinfo=UTC)
MEASURED_S = 1775183398


def sensor(**over: object) -> SensorConfig:
    given = {"place": "keel", "quantity": "air_c", "topic": "tunnel/keel", **over}
    return SensorConfig.model_validate(given)


def decoded(payload: bytes, *entries: SensorConfig, retained: bool = False) -> Decoded:
    message = Message("tunnel/keel", payload, RECEIVED, retained=retained)
    return decode(message, build_routes(entries or (sensor(),)), "listener")


def values(result: Decoded) -> list[float]:
    return [reading.value for reading in result.readings]


def reasons(result: Decoded) -> list[str]:
    return [item.reason for item in result.rejected]


@pytest.mark.parametrize("payload", [b"21.5", b" 21.5\n", b"+21.5", b"2.15e1", b'"21.5"', b"21.50"])
def test_one_number_per_topic_takes_every_plain_spelling(payload: bytes) -> None:
    result = decoded(payload)
    assert result == ([Reading("keel.air_c", RECEIVED, 21.5, RECEIVED, Flag.NONE)], [], True)


@pytest.mark.parametrize("payload", [b"50 F", b"50.0\xc2\xb0F", b"10 C", b'"10 \xc2\xb0C"', b"283.15 K"])
def test_a_number_may_bring_its_unit(payload: bytes) -> None:
    """50 °F is 10 °C by definition; a unit in the message goes before the configured one."""
    assert values(decoded(payload, sensor(unit="F"))) == pytest.approx([10.0])


def test_a_leading_dot_is_a_number() -> None:
    assert values(decoded(b".5")) == [0.5]


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "payload is empty"),
        (b"  ", "payload is empty"),
        (b"warm", "keel.air_c: value is not a number"),
        (b"21.5 X", "keel.air_c: unit 'x' does not fit air_c"),
        (b"21.5 %", "keel.air_c: unit '%' does not fit air_c"),
        (b"21,5", "keel.air_c: value is not a number"),
        (b"0x15", "keel.air_c: value is not a number"),
        (b"true", "keel.air_c: value is not a number"),
        (b"null", "keel.air_c: value is null"),
        (b"[21.5]", "keel.air_c: value is not a number"),
        (b"NaN", "keel.air_c: value is NaN, which is no measurement"),
        (b"-Infinity", "keel.air_c: value is not a finite number"),
        (b"nan", "keel.air_c: value is not a number"),
        (b"1e999", "keel.air_c: value is not a finite number"),
        (b"9" * 400, "keel.air_c: value is not a finite number"),
        (b'{"t": 1', "payload is broken JSON"),
        (b"\xff\xfe21", "payload is not UTF-8 text"),
        (b"[" * 100_000, "payload is broken JSON"),
        (b"x" * 10_000, "payload is neither a number nor JSON"),
    ],
)
def test_what_is_not_a_measurement_is_put_aside_with_its_reason(payload: bytes, reason: str) -> None:
    result = decoded(payload)
    assert result.readings == []
    assert reasons(result) in ([reason], ["payload is nested too deep"])
    assert result.rejected[0].size_bytes == len(payload)
    assert payload.startswith(result.rejected[0].payload_head)
    assert len(result.rejected[0].payload_head) <= 512


def test_json_of_any_nesting_by_pointer() -> None:
    payload = json.dumps({"a/b": [{"m~n": {"": 18.25}}], "x": 1}).encode()
    assert values(decoded(payload, sensor(pointer="/a~1b/0/m~0n/"))) == [18.25]


def test_pointer_tokens_follow_rfc_6901() -> None:
    """The escapes of RFC 6901 section 5's own examples."""
    assert split_pointer("/a~1b") == ("a/b",)
    assert split_pointer("/m~0n") == ("m~n",)
    assert split_pointer("/~01") == ("~1",)
    assert split_pointer("/") == ("",)
    assert split_pointer("") == ()


@pytest.mark.parametrize("pointer", ["/1", "/01", "/-", "/b"])
def test_a_pointer_to_nothing_names_where_it_ends(pointer: str) -> None:
    assert reasons(decoded(b"[7]", sensor(pointer=pointer))) == [f"keel.air_c: no field at {pointer}"]


def test_a_bad_field_leaves_the_others_of_its_message() -> None:
    entries = (
        sensor(pointer="/t"),
        sensor(quantity="humidity_pct", pointer="/rh"),
        sensor(quantity="part_c", pointer="/p"),
    )
    result = decoded(b'{"t": 18.5, "rh": null, "p": "damp"}', *entries)
    assert values(result) == [18.5]
    assert reasons(result) == ["keel.humidity_pct: value is null", "keel.part_c: value is not a number"]


def test_fahrenheit_is_converted_and_celsius_left_alone() -> None:
    assert values(decoded(b"50", sensor(unit="F"))) == pytest.approx([10.0])
    assert values(decoded(b"50", sensor(unit="C"))) == [50.0]


@pytest.mark.parametrize(
    ("payload", "value"),
    [(b"on", 1.0), (b"OFF", 0.0), (b"true", 1.0), (b"0", 0.0), (b"online", 1.0), (b'"True"', 1.0)]
    + [(word, 0.0) for word in (b"false", b"offline", b'"False"')],
)
def test_a_switch_may_say_on_and_off(payload: bytes, value: float) -> None:
    assert values(decoded(payload, sensor(place="heater", quantity="on"))) == [value]


@pytest.mark.parametrize(
    "time",
    [
        MEASURED_S, MEASURED_S * 1000, MEASURED_S * 10**6, MEASURED_S * 10**9, float(MEASURED_S),
        str(MEASURED_S),
        "2026-04-03T02:29:58Z", "2026-04-03T02:29:58+00:00", "2026-04-03T07:59:58+05:30",
    ],
)  # fmt: skip
def test_device_times_in_every_unit(time: object) -> None:
    payload = json.dumps({"v": 1.0, "t": time}).encode()
    (reading,) = decoded(payload, sensor(pointer="/v", time_pointer="/t")).readings
    assert reading.at == MEASURED
    assert reading.received_at == RECEIVED


@pytest.mark.parametrize(
    ("unit", "number", "at"),
    [
        ("s", MEASURED_S, MEASURED),
        ("ms", MEASURED_S * 1000 + 7, MEASURED + timedelta(milliseconds=7)),
        ("us", MEASURED_S * 10**6 + 7, MEASURED + timedelta(microseconds=7)),
        ("ns", MEASURED_S * 10**9 + 7000, MEASURED + timedelta(microseconds=7)),
        ("s", MEASURED_S + 0.25, MEASURED + timedelta(seconds=0.25)),
        ("ms", MEASURED_S * 1000 + 0.5, MEASURED + timedelta(milliseconds=0.5)),
        ("us", MEASURED_S * 10.0**6 + 7.0, MEASURED + timedelta(microseconds=7)),
        ("auto", MEASURED_S + 0.25, MEASURED + timedelta(seconds=0.25)),
        ("auto", MEASURED_S * 1000 + 0.5, MEASURED + timedelta(milliseconds=0.5)),
    ],
)
def test_a_number_of_a_named_unit_is_that_moment_to_the_microsecond(
    unit: str, number: float, at: datetime
) -> None:
    payload = json.dumps({"v": 1, "t": number}).encode()
    (reading,) = decoded(payload, sensor(pointer="/v", time_pointer="/t", time_unit=unit)).readings
    assert reading.at == at


@pytest.mark.parametrize(
    ("at", "is_taken"),
    [
        (datetime(2000, 1, 1, tzinfo=UTC), True),
        (datetime(1999, 12, 31, 23, 59, 59, tzinfo=UTC), False),
        (RECEIVED + timedelta(days=366), True),
        (RECEIVED + timedelta(days=366, seconds=1), False),
    ],
)
def test_times_are_taken_from_2000_to_a_year_ahead_both_included(at: datetime, *, is_taken: bool) -> None:
    payload = json.dumps({"v": 1, "t": at.isoformat()}).encode()
    result = decoded(payload, sensor(pointer="/v", time_pointer="/t"))
    assert [reading.at for reading in result.readings] == [at] * is_taken


def test_nanoseconds_do_not_pass_through_a_double() -> None:
    """A double has 256 ns of grain at today's nanoseconds; whole microseconds must survive."""
    payload = b'{"v": 1, "t": 1775183398123457999}'
    (reading,) = decoded(payload, sensor(pointer="/v", time_pointer="/t", time_unit="ns")).readings
    assert reading.at == MEASURED + timedelta(microseconds=123457)


@pytest.mark.parametrize(
    ("time", "reason"),
    [
        ("0", "its time is before the year 2000: the sensor's clock is not set"),
        ("12345", "its time is before the year 2000: the sensor's clock is not set"),
        ("4070908800", "its time is more than a year ahead of this computer's clock"),
        ("1e30", "its time is beyond every calendar"),
        ('"2026-04-03T02:29:58"', "its time has no UTC offset, so the hour is unknown"),
        ('"yesterday"', "its time is not ISO 8601"),
        ("true", "its time is not a number of seconds and not ISO 8601"),
        ("null", "its time is not a number of seconds and not ISO 8601"),
    ],
)
def test_impossible_times_are_put_aside(time: str, reason: str) -> None:
    """1970 (a clock never set), 2099, no offset, no time at all."""
    result = decoded(f'{{"v": 1, "t": {time}}}'.encode(), sensor(pointer="/v", time_pointer="/t"))
    assert reasons(result) == [f"keel.air_c: {reason}"]


def test_years_old_device_times_are_taken() -> None:
    """A season may be replayed."""
    payload = b'{"v": 1, "t": "2016-01-11T16:00:00Z"}'
    (reading,) = decoded(payload, sensor(pointer="/v", time_pointer="/t")).readings
    assert reading.at.year == 2016


def test_a_retained_message_without_a_time_is_no_reading() -> None:
    assert reasons(decoded(b"21.5", retained=True)) == [
        "keel.air_c: retained message without a device time: nobody knows when it was measured"
    ]
    entry = sensor(pointer="/v", time_pointer="/t")
    assert len(decoded(f'{{"v": 1, "t": {MEASURED_S}}}'.encode(), entry, retained=True).readings) == 1


def test_what_takes_its_time_from_its_arrival_says_so_and_nothing_else_does() -> None:
    """Its redelivery must be known by other means than its time; one that gave nothing needs none."""
    timed = sensor(pointer="/v", time_pointer="/t")
    untimed = sensor(pointer="/rh", quantity="humidity_pct")
    payload = f'{{"v": 1, "rh": 50, "t": {MEASURED_S}}}'.encode()
    assert not decoded(payload, timed).by_arrival
    assert decoded(payload, untimed).by_arrival
    assert decoded(payload, timed, untimed).by_arrival
    assert decoded(payload, untimed, timed).by_arrival
    assert not decoded(b'{"rh": "damp"}', untimed).by_arrival
    assert not decoded(b"{", untimed).by_arrival


def test_topics_that_senders_make_up_are_not_remembered_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.payload._REMEMBERED_TOPICS", 5)
    routes = build_routes((), [FeedConfig(topic="yard/{place}/{quantity}", format="value")])
    for number in range(23):
        found = routes.feed(f"yard/bay{number}/air_c")
        assert found is not None
        assert found[1]["place"] == f"bay{number}"
        assert routes.feed(f"yard/bay{number}/air_c") is found
    assert set(vars(routes)["_found"]) == {f"yard/bay{number}/air_c" for number in (20, 21, 22)}


def test_an_unknown_topic_says_so() -> None:
    result = decode(Message("somewhere/else", b"1", RECEIVED), build_routes([sensor()]), "listener")
    assert reasons(result) == ["no sensor is configured for this topic"]


def test_what_cannot_be_true_is_kept_as_measured_and_flagged() -> None:
    (reading,) = decoded(b"140", sensor(quantity="humidity_pct")).readings
    assert (reading.value, reading.flags) == (140.0, Flag.OUT_OF_RANGE)


@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_no_bytes_make_it_raise(payload: bytes) -> None:
    entries = (sensor(), sensor(quantity="humidity_pct", pointer="/rh/0", time_pointer="/t"))
    result = decoded(payload, *entries)
    assert len(result.readings) + len(result.rejected) >= 1


@given(st.floats(-1e6, 1e6), st.datetimes(datetime(2000, 1, 2), datetime(2027, 1, 1), timezones=st.just(UTC)))  # noqa: DTZ001  hypothesis wants bare bounds
def test_numbers_and_times_survive_the_trip(value: float, at: datetime) -> None:
    payload = json.dumps({"v": value, "t": at.isoformat()}).encode()
    (reading,) = decoded(payload, sensor(pointer="/v", time_pointer="/t")).readings
    assert (reading.value, reading.at) == (value, at)
