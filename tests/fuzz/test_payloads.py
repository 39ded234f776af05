"""The short form of the payload fuzzing, and hypothesis over each reader."""

import json
import time
import tomllib
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.payload import decode
from collector.source import Message
from collector.store.rows import named
from tests.collector.sparkplug_bytes import double, metric, payload, single, text, uint32, uint64, varint
from tests.collector.test_payload_pairs import FOLDER, routes
from tests.fuzz.payloads import FoundError, Rig, fuzz

NOW = datetime(2026, 4, 3, 2, 30, tzinfo=UTC)
CONFIGS = sorted(tomllib.loads((FOLDER / "config.toml").read_text(encoding="utf-8")))
TOPICS = ("yard/keel/air", "yard/keel/node", "yard/keel/temp", "yard/keel/state", "yard/keel/senml")
scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12)
documents: st.SearchStrategy[Any] = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)
records = st.fixed_dictionaries(
    {},
    optional={
        "n": st.sampled_from(["temp", "rh", "door", ""]) | scalars,
        "bn": st.sampled_from(["a:", ""]) | scalars,
        "t": st.integers(-(2**70), 2**70) | st.floats() | scalars,
        "bt": st.integers(0, 2**33) | scalars,
        "u": st.sampled_from(["Cel", "%RH", "F"]) | scalars,
        "v": st.floats() | scalars,
        "bv": scalars, "vb": scalars, "vs": scalars, "s": scalars, "bver": scalars, "x_": scalars,
    },
)  # fmt: skip
values = (
    st.floats(width=32).map(single)
    | st.floats().map(double)
    | st.integers(0, 2**32 - 1).map(uint32)
    | st.integers(0, 2**64 - 1).map(uint64)
    | st.binary(max_size=9).map(lambda data: text(15, data))
    | st.just(b"")
)
metrics = st.builds(
    metric,
    st.sampled_from(["", "temp", "rh", "part_temp", "bdSeq"]) | st.text(max_size=9),
    alias=st.none() | st.integers(0, 3) | st.integers(0, 2**64 - 1),
    at_ms=st.none() | st.integers(0, 2**64 - 1),
    datatype=st.none() | st.integers(0, 2**32 - 1),
    null=st.booleans(),
    value=values,
)
sparkplugs = st.builds(
    payload, st.lists(metrics, max_size=4), at_ms=st.none() | st.integers(0, 2**64 - 1), seq=st.none()
)
kinds = st.sampled_from(["NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH"])


def read(config: str, topic: str, data: bytes) -> None:
    """Read what must neither raise nor give what a store would refuse."""
    result = decode(Message(topic, data, NOW), routes(config), "fuzzer")
    named(result.readings)
    assert len(result.rejected) <= 21


@given(
    st.sampled_from(CONFIGS),
    st.sampled_from(TOPICS),
    st.binary(max_size=80) | st.text(max_size=40).map(str.encode),
)
def test_no_bytes_break_a_reader(config: str, topic: str, data: bytes) -> None:
    read(config, topic, data)


@given(st.sampled_from(CONFIGS), st.sampled_from(TOPICS), documents)
def test_no_json_breaks_a_reader(config: str, topic: str, document: object) -> None:
    read(config, topic, json.dumps(document).encode())


@given(st.lists(records, max_size=5))
def test_no_senml_breaks_its_reader(pack: list[dict[str, object]]) -> None:
    read("senml", "yard/keel/senml", json.dumps(pack).encode())


@given(st.lists(st.tuples(kinds, sparkplugs | st.binary(max_size=60)), max_size=4))
def test_no_course_of_sparkplug_messages_breaks_its_reader(course: list[tuple[str, bytes]]) -> None:
    by = routes("sparkplug_names")
    for kind, data in course:
        device = "/d" if kind.startswith("D") else ""
        named(decode(Message(f"spBv1.0/g/{kind}/n{device}", data, NOW), by, "fuzzer").readings)
        saved = by.births.changed_text()
        if saved is not None:
            by.births.restore(saved)


def test_a_megabyte_of_anything_is_read_in_moments() -> None:
    """What grows with the square of the length would take hours here; 5 s is 50 times what it takes."""
    big = 250_000
    pack = json.dumps([{"n": "temp", "u": "Cel", "v": 18, "t": -i} for i in range(big // 40)])
    hard = [
        b'"' + b"1" * big + b'x"', b'"' + b" " * big + b'1"', b"[" * big, b"{" * big, b'{"a":' * (big // 5),
        b"1" * big, b"[" + b"1," * (big // 2) + b"1]", pack.encode(), b'[{"n":"' + b":" * big + b'","v":1}]',
        b"\x12\x00" * (big // 2), text(2, text(1, b"/" * big)), varint(2**63) * (big // 10),
        b'{"temp":"' + b"1" * big + b'e"}',
        json.dumps({f"temp_{i}": i for i in range(big // 14)}).encode(),
    ]  # fmt: skip
    for config in CONFIGS:
        by = routes(config)
        for topic in (*TOPICS, "spBv1.0/yard/NBIRTH/keel"):
            for data in hard:
                began_s = time.perf_counter()
                decode(Message(topic, data, NOW), by, "fuzzer")
                assert time.perf_counter() - began_s < 5, (config, topic, data[:40])


def test_spoilt_pairs_break_nothing() -> None:
    found = fuzz(30_000, seed=2)
    assert found["behaviours"] > 150  # or the inputs have stopped reaching anything
    assert found["gave readings"] > 3_000


def test_the_fuzzer_finds_what_it_looks_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reader that lets an infinite value pass, and one that raises, are both found."""
    monkeypatch.setattr("collector.payload.isfinite", lambda _: True)
    with pytest.raises(FoundError, match="finite"):
        fuzz(200_000, seed=3)
    monkeypatch.undo()
    monkeypatch.setattr("collector.feeds.senml._time", lambda time_us, _: [][time_us])
    with pytest.raises(FoundError, match="IndexError"):
        fuzz(20_000, seed=3)
    assert Rig().names
