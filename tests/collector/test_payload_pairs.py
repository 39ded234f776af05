"""Every pair in tests/vectors/payloads: these bytes, read so, give these readings or these reasons."""

import json
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from collector.config import Config, parse_config
from collector.payload import Decoded, Routes, build_routes, decode
from collector.source import Message

FOLDER = Path(__file__).parents[1] / "vectors" / "payloads"
CASES = sorted(path.stem for path in FOLDER.glob("*.json"))
RECEIVED = datetime(2026, 4, 3, 2, 30, tzinfo=UTC)


def expected(case: str) -> Any:  # noqa: ANN401  JSON
    return json.loads((FOLDER / f"{case}.json").read_text(encoding="utf-8"))


def config(name: str) -> Config:
    tables = tomllib.loads((FOLDER / "config.toml").read_text(encoding="utf-8"))
    return parse_config(tables[name], "config.toml")


def routes(name: str) -> Routes:
    settings = config(name)
    return build_routes(settings.sensor, settings.feed)


def read(case: str, by: Routes) -> Decoded:
    pair = expected(case)
    payload = (FOLDER / f"{case}.in").read_bytes()
    message = Message(pair["topic"], payload, RECEIVED, retained=pair.get("retained", False))
    return decode(message, by, "listener")


@pytest.mark.parametrize("case", CASES)
def test_pair(case: str) -> None:
    pair = expected(case)
    by = routes(pair["config"])
    for earlier in pair.get("after", []):
        read(earlier, by)
    result = read(case, by)
    assert [item.reason for item in result.rejected] == pair["reasons"]
    found = [(r.sensor, r.at, int(r.flags)) for r in result.readings]
    assert found == [(sensor, datetime.fromisoformat(at), flags) for sensor, at, _, flags in pair["readings"]]
    # 1e-9: a conversion's few rounding errors of 2e-16; digits in the files are all there are
    values = [value for _, _, value, _ in pair["readings"]]
    assert [r.value for r in result.readings] == pytest.approx(values, rel=1e-9)
    assert all(r.received_at == RECEIVED for r in result.readings)
    if not result.by_arrival:
        assert all(r.at != RECEIVED for r in result.readings)


def test_every_input_has_its_answer_and_there_are_dozens() -> None:
    assert sorted(path.stem for path in FOLDER.glob("*.in")) == CASES
    assert len(CASES) > 90


def test_births_outlive_the_process() -> None:
    """Nodes say their names once; a daemon that restarts must still know what an alias stands for."""
    before, after = routes("sparkplug"), routes("sparkplug")
    read("sparkplug_birth", before)
    text = before.births.changed_text()
    assert text is not None
    assert before.births.changed_text() is None
    after.births.restore(text)
    assert read("sparkplug_alias", after) == read("sparkplug_alias", before)
    assert [r.value for r in read("sparkplug_death", after).readings] == [0.0]
    assert read("sparkplug_death_earlier", after).readings == []


def test_a_nodes_birth_ends_what_its_devices_declared() -> None:
    by = routes("sparkplug_names")
    device = Message("spBv1.0/g/DBIRTH/n/d", (FOLDER / "sparkplug_device_birth.in").read_bytes(), RECEIVED)
    data = Message("spBv1.0/g/DDATA/n/d", (FOLDER / "sparkplug_device_data.in").read_bytes(), RECEIVED)
    decode(device, by, "")
    assert decode(data, by, "").rejected == []
    decode(Message("spBv1.0/g/NBIRTH/n", b"\x08\x80\xb8\xaf\x9f\xd5\x33", RECEIVED), by, "")
    assert "no birth" in decode(data, by, "").rejected[0].reason
