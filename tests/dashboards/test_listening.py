"""What is heard becomes configuration that loads, whatever is on the air; guesses give their reasons."""

import json
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config import Config, load_config, parse_config
from collector.payload import build_routes, decode
from collector.source import Message
from dashboards.listening.guess import guess
from dashboards.listening.heard import MAX_FIELDS, MAX_TOPICS, Book, HeardField
from dashboards.listening.places import place_of
from dashboards.listening.proposal import propose, shown, tables
from tests.collector.test_payload_pairs import CASES, FOLDER, expected

NOW = datetime(2026, 4, 3, 2, 30, tzinfo=UTC)
NOW_S = 1775183398


def heard(*messages: tuple[str, str | bytes]) -> Book:
    book = Book()
    for topic, payload in messages:
        book.hear(topic, payload if isinstance(payload, bytes) else payload.encode(), NOW)
    return book


def configuration(book: Book, config: Config | None = None) -> str:
    return "\n".join(tables(propose(book, config or Config(), NOW)))


def field(name: str, *values: object, unit: str | None = None, shape: str = "json") -> HeardField:
    one = HeardField("yard/keel/node", name, shape, unit)
    one.values.extend(values)
    return one


@pytest.mark.parametrize(
    ("one", "quantity", "unit", "sure", "reason"),
    [
        (field("/temp", 18.5), "air_c", "C", True, "18.5 is in °C (as °F it would be -7.5 °C)"),
        (field("/temp", 65.5), "air_c", "F", True, "65.5 is in °F (18.6 °C), as no shed is so hot in °C"),
        (field("/temp", 38.0), "air_c", "C", False, "38 may be °C, or °F (3.3 °C)"),
        (field("/temp_f", 38.0), "air_c", "F", True, "its name is 'temp_f'"),
        (field("/temp_c", 65.5), "air_c", "C", True, "its name is 'temp_c'"),
        (field("/temp", 900.0), "air_c", "F", False, "900 is beyond what air temperature can be"),
        (field("/temp", "wet"), "air_c", "", False, "no value so far is one"),
        (field("/part/temp", 24.0), "part_c", "C", True, "its name is 'part_temp'"),
        (field("/part/temp", 68.0), "part_c", "", False, "a hot part in °C, or one in °F"),
        (field("/humidity", 64), "humidity_pct", "", True, "its name is 'humidity'"),
        (field("/humidity", 0.64, 0.61), "humidity_pct", "", False, "layday takes per cent"),
        (field("/rh", "64 %", "65%"), "humidity_pct", "", True, "and it writes its unit"),
        (field("/temp", "64 %"), "air_c", "", False, "no value so far is one"),
        (field("/pressure", 101_325), "pressure_hpa", "Pa", True, "101325 is air pressure in Pa"),
        (field("/pressure", 1013.2), "pressure_hpa", "hPa", True, "1013.2 is air pressure in hPa"),
        (field("/pressure", 29.92), "pressure_hpa", "inHg", True, "29.92 is air pressure in inHg"),
        (field("/pressure", 3.2), "pressure_hpa", "", False, "beyond what air pressure can be"),
        (field("/battery", 87), "battery_v", "", False, "87 is beyond what battery can be"),
        (field("/door", True), "open", "", True, "its name is 'door'"),
        (field("/x", "ON", "off"), "on", "", True, "it says on or off"),
        (field("/x", "online"), "online", "", True, "it says online or offline"),
        (field("/x", True), "on", "", False, "its name does not say of what"),
        (field("/x", 18.5, 18.75), "air_c", "C", False, "18.5 to 18.75 may be °C; its name does not say"),
        (field("/x", 18), "", "", False, "a number whose name layday does not know"),
        (field("/x", "abc"), "", "", False, "it is text"),
        (field("/x"), "", "", False, "it has had no value so far"),
        (field("n:rh", 64, unit="%RH", shape="senml"), "humidity_pct", "", True, "its unit is '%RH' and"),
        (field("n:7", 64, unit="%RH", shape="senml"), "humidity_pct", "", True, "its unit is '%RH'"),
        (field("n:7", 18, unit="Cel", shape="senml"), "air_c", "", False, "its unit is 'Cel'"),
        (field("n:part", 18, unit="Cel", shape="senml"), "part_c", "", True, "its name 'n_part'"[:8]),
        (field("n:7", 18, unit="lx", shape="senml"), "", "", False, "its unit 'lx' is none that layday uses"),
    ],
)
def test_a_guess_and_its_reason(
    one: HeardField,
    quantity: str,
    unit: str,
    sure: bool,  # noqa: FBT001  a column of the table
    reason: str,
) -> None:
    """Limits are common practice, no source: no shed stands above 45 °C, pressures are those of the earth."""
    found = guess(one, NOW)
    assert (found.quantity, found.unit, found.sure) == (quantity, unit, sure)
    assert reason in found.reason


@pytest.mark.parametrize(
    ("name", "value", "is_time"),
    [
        ("/t", NOW_S, True), ("/ts", NOW_S * 1000, True), ("/when", "2026-04-03T02:29:58Z", True),
        ("/x", NOW_S * 1000, True), ("/t", 18.5, False), ("/t", "18.5", False), ("/x", "Thursday", False),
        ("/uptime", 86_400, False),
    ],
)  # fmt: skip
def test_times_are_told_from_temperatures(name: str, value: object, is_time: bool) -> None:  # noqa: FBT001  a column
    assert guess(field(name, value), NOW).is_time == is_time


def test_places_come_from_the_level_that_tells_most() -> None:
    assert place_of("yard/keel/air_temperature", 1) == "keel"
    assert place_of("keel", 0) == "keel"
    assert place_of("yard/7/temp", 1) == "n_7"
    assert place_of("temp") == "shed"


def test_two_sensors_of_a_kind_in_one_place_get_names_of_their_own() -> None:
    book = heard(("yard/keel/temp", "18"), ("yard/keel/temperature", "19"), ("yard/sheer/temp", "12"))
    config = parse_config(tomllib.loads(configuration(book)), "x.toml")
    assert sorted(config.sensors) == ["keel.air_c", "keel_2.air_c", "sheer.air_c"]


def test_what_is_configured_is_not_proposed_again() -> None:
    book = heard(
        ("yard/keel/temp", "18"),
        ("yard/sheer/node", '{"rh": 64, "temp": 12.5}'),
        ("made/keel/rh", "60"),
    )
    config = parse_config(
        {
            "sensor": [{"place": "keel", "quantity": "air_c", "topic": "yard/keel/temp"}],
            "feed": [{"topic": "made/{place}/{quantity}"}],
        },
        "x.toml",
    )
    added = tomllib.loads(configuration(book, config))
    assert [entry["pointer"] for entry in added["sensor"]] == ["/rh", "/temp"]
    assert "feed" not in added
    assert (
        configuration(book, parse_config({**added, "feed": [{"topic": "+/{place}/{quantity}"}]}, "x.toml"))
        == ""
    )


@pytest.mark.parametrize("case", [case for case in CASES if expected(case)["readings"]])
def test_every_shape_that_layday_reads_is_heard(case: str) -> None:
    pair = expected(case)
    entry = heard((pair["topic"], (FOLDER / f"{case}.in").read_bytes())).topics[pair["topic"]]
    death = "DEATH" in pair["topic"]
    alias_only = case in ("sparkplug_alias", "sparkplug_device_data")
    assert death or alias_only or entry.fields


texts = st.text(max_size=30)
payloads = (
    st.binary(max_size=60)
    | texts.map(str.encode)
    | st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | texts,
        lambda inner: st.lists(inner, max_size=4) | st.dictionaries(texts, inner, max_size=4),
        max_leaves=12,
    ).map(lambda document: json.dumps(document).encode())
    | st.lists(
        st.fixed_dictionaries(
            {"n": texts, "v": st.floats(allow_nan=False)},
            optional={"u": st.sampled_from(["Cel", "%RH", "V"])},
        ),
        min_size=1,
        max_size=4,
    ).map(lambda pack: json.dumps(pack).encode())
    | st.sampled_from([(FOLDER / f"{case}.in").read_bytes() for case in CASES])
)
topics = st.text(
    st.characters(blacklist_characters="+#\0", blacklist_categories=["Cs"]), min_size=1, max_size=20
) | st.sampled_from([expected(case)["topic"] for case in CASES])


@given(st.lists(st.tuples(topics, payloads), max_size=12))
def test_whatever_is_on_the_air_the_proposal_loads_and_takes_it_in(messages: list[tuple[str, bytes]]) -> None:
    """No topic, name or payload can break the file, or bring a line of its own into it."""
    book = heard(*messages)
    text = configuration(book)
    config = parse_config(tomllib.loads(text), "x.toml")
    assert all(line.isprintable() for line in text.split("\n"))
    by = build_routes(config.sensor, config.feed)
    for topic, payload in messages:
        decode(Message(topic, payload, NOW), by, "")


def test_memory_is_bounded_whatever_comes() -> None:
    book = Book()
    for i in range(MAX_TOPICS + 10):
        book.hear(f"t/{i}", b"1", NOW)
    assert (len(book.topics), book.left_out_count) == (MAX_TOPICS, 10)
    book.hear("t/0", json.dumps({str(i): i for i in range(MAX_FIELDS + 500)}).encode(), NOW)
    assert len(book.topics["t/0"].fields) <= MAX_FIELDS


def test_a_message_of_which_only_the_head_was_kept_says_so() -> None:
    book = Book()
    book.hear("yard/keel", b'{"temp": 18.5, "hum', NOW, whole=False)
    assert book.topics["yard/keel"].trouble == "its messages are too long to be kept whole"
    assert configuration(book) == ""


def test_a_topic_that_changes_its_shape_is_configured_by_the_newest() -> None:
    book = heard(("yard/keel", '[{"n": "temp", "u": "Cel", "v": 18}]'), ("yard/keel", '{"rh": 64}'))
    added = tomllib.loads(configuration(book))
    assert [entry["pointer"] for entry in added["sensor"]] == ["/rh"]
    assert "feed" not in added


def test_nothing_heard_can_steer_a_terminal() -> None:
    assert shown("a\x1b[31m\nb\x7f") == "a?[31m?b?"


def test_a_proposal_is_read_by_the_configurations_own_reader(tmp_path: Path) -> None:
    book = heard(
        ("yard/keel/temp", "18"),
        ("yard/node7", json.dumps({"ts": NOW_S, "air": {"temp": 18.5, "rh": 61}})),
        ("yard/bow", '[{"bn": "bow:", "n": "temp", "u": "Cel", "v": 17.5}]'),
        ("spBv1.0/yard/NBIRTH/keel2", (FOLDER / "sparkplug_birth.in").read_bytes()),
    )
    file = tmp_path / "layday.toml"
    file.write_text(configuration(book))
    config = load_config(file)
    assert {"keel.air_c", "node7.air_c", "node7.humidity_pct", "bow.air_c", "keel2.air_c"} <= set(
        config.sensors
    )
    timed = [entry.time_pointer for entry in config.sensor if entry.place == "node7"]
    assert timed == ["/ts", "/ts"]
