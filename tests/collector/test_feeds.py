"""Feeds: one table of configuration for a whole family of topics."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config import parse_config
from collector.domain import QUANTITIES
from collector.errors import ConfigError
from collector.feeds.births import MAX_METRICS, MAX_NODES, Births, Key, Metric
from collector.feeds.names import MAX_SENSORS, Namer
from collector.feeds.patterns import TopicPattern, covers, without_covered
from collector.feeds.words import WORDS, meaning
from collector.values import BadValueError

_LEVEL = st.sampled_from(["a", "b", "", "+", "{place}"])


def feed_mistake(**feed: object) -> str:
    with pytest.raises(ConfigError) as caught:
        parse_config({"feed": [{"topic": "yard/{place}/{quantity}", **feed}]}, "layday.toml")
    return str(caught.value)


@pytest.mark.parametrize(
    ("feed", "words"),
    [
        ({"topic": "yard/a+/{place}"}, "'a+' is no level of a topic pattern"),
        ({"topic": "yard/#/{place}"}, "'#' is no level"),
        ({"topic": "yard/{bay}/{quantity}"}, "'{bay}' is no level"),
        ({"topic": "{place}/{place}/{quantity}"}, "{place} stands twice"),
        ({"topic": "yard/+/{quantity}"}, "nothing says where its sensors are"),
        ({"topic": "yard/{place}"}, "one value per topic needs {quantity}"),
        ({"format": "senml"}, "leave {quantity} out"),
        ({"name": "{quantity}"}, "leave name out"),
        ({"time_pointer": "/t"}, 'time_pointer is for format = "json"'),
        ({"names": {"x": "keel.air"}}, "'keel.air' names no quantity"),
        ({"names": {"x": "Keel.air_c"}}, "'Keel' in 'Keel.air_c' is no place"),
        ({"names": {"x": "air_c %"}}, "cannot report in '%'"),
        ({"places": {"Bay 2": "Bay 2"}}, "feed[0].places"),
        ({"format": "xml"}, "feed[0].format"),
        ({"colour": "red"}, "feed[0].colour: no such setting"),
    ],
)
def test_a_mistake_in_a_feed_is_named_with_what_to_do(feed: dict[str, object], words: str) -> None:
    assert words in feed_mistake(**feed)


def test_two_feeds_of_one_topic_are_refused() -> None:
    feeds = [{"topic": "yard/{place}/{quantity}"}] * 2
    with pytest.raises(ConfigError, match=r'feed\[1\].topic: two feeds have the topic "yard/'):
        parse_config({"feed": feeds}, "layday.toml")


def test_the_sensors_that_a_feed_names_are_configured_ones(tmp_path: Path) -> None:
    feed = {"topic": "y/{place}/{quantity}", "place": "keel", "names": {"a": "part_c", "b": "sheer.air_c F"}}
    config = parse_config({"feed": [feed]}, str(tmp_path / "layday.toml"))
    assert sorted(config.sensors) == ["keel.part_c", "sheer.air_c"]


def test_subscriptions_leave_out_what_a_wider_one_takes_in() -> None:
    """A broker may deliver a message once for each subscription that fits it (MQTT 5.0, 3.3.4)."""
    config = parse_config(
        {
            "sensor": [
                {"place": "keel", "quantity": "air_c", "topic": "yard/keel/temp"},
                {"place": "sheer", "quantity": "air_c", "topic": "elsewhere"},
            ],
            "feed": [{"topic": "yard/{place}/{quantity}"}],
        },
        "layday.toml",
    )
    assert config.topic_filters == ["elsewhere", "yard/+/+"]


@given(st.lists(_LEVEL, min_size=1, max_size=4), st.lists(st.sampled_from("ab"), min_size=1, max_size=4))
def test_a_pattern_fits_what_its_filter_takes_in(levels: list[str], topic: list[str]) -> None:
    if levels.count("{place}") > 1:
        return
    pattern = TopicPattern.read("/".join(levels))
    assert (pattern.match("/".join(topic)) is not None) == covers(pattern.filter, "/".join(topic))


@given(st.sets(st.lists(st.sampled_from(["a", "b", "+"]), min_size=1, max_size=3).map("/".join), max_size=6))
def test_what_is_left_out_is_taken_in_by_what_stays(filters: set[str]) -> None:
    left = without_covered(filters)
    assert all(any(one == kept or covers(kept, one) for kept in left) for one in filters)


def test_wildcards_keep_off_the_brokers_own_topics() -> None:
    """MQTT 5.0, section 4.7.2."""
    assert TopicPattern.read("{place}/{quantity}").match("$SYS/uptime") is None
    assert TopicPattern.read("#").match("$SYS/uptime") is None


@pytest.mark.parametrize(
    ("word", "expected"),
    [
        ("temperature", ("air_c", "")), ("Temperature_F", ("air_c", "F")), ("airTemp", ("air_c", "")),
        ("humidity_pct", ("humidity_pct", "")), ("RH", ("humidity_pct", "")), ("partTempC", ("part_c", "C")),
        ("pressure_mbar", ("pressure_hpa", "hPa")), ("co2", ("co2_ppm", "")), ("door", ("open", "")),
        ("on_pct", ("on_pct", "")), ("power_kw", ("power_w", "kW")), ("battery_v", ("battery_v", "")),
        ("t", None), ("humidity_f", None), ("uptime", None), ("", None), ("_c", None), ("temp_x", None),
    ],
)  # fmt: skip
def test_words_stand_for_quantities(word: str, expected: tuple[str, str] | None) -> None:
    """Common practice of people who name sensors, no source; what is not plain stays unknown."""
    assert meaning(word) == expected


def test_every_word_stands_for_a_quantity_that_there_is() -> None:
    assert set(WORDS.values()) <= set(QUANTITIES)


@given(st.text(max_size=300))
def test_no_word_whatever_breaks_the_reader(word: str) -> None:
    found = meaning(word)
    assert found is None or found.quantity in QUANTITIES


def test_a_flood_of_places_does_not_fill_the_store_with_sensors() -> None:
    config = parse_config({"feed": [{"topic": "y/{place}/{quantity}"}]}, "layday.toml").feed[0]
    namer = Namer(config)
    for i in range(MAX_SENSORS):
        namer.target({"place": f"p{i}"}, "temp")
    with pytest.raises(BadValueError, match="no further one"):
        namer.target({"place": "another"}, "temp")
    assert namer.target({"place": "p7"}, "temp") is not None


def test_a_flood_of_births_is_bounded() -> None:
    births = Births()
    for i in range(MAX_NODES):
        births.bear(Key("g", f"n{i}", ""), [], None)
    with pytest.raises(BadValueError, match="no further one"):
        births.bear(Key("g", "another", ""), [], None)
    with pytest.raises(BadValueError, match="too long a name"):
        births.bear(Key("g", "n1", ""), [Metric(f"m{i}", i, 9) for i in range(MAX_METRICS + 1)], None)
