"""What the nodes say, and that layday's configuration understands it."""

import json
import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.config import parse_config
from hardware.tent.node import node_values, payload, sensor_entries
from hardware.tent.parameters import Tent
from hardware.tent.sensors import CHANNELS, NODES
from hardware.tent.simulation import Simulation

START = datetime(2026, 10, 5, tzinfo=UTC)


def test_the_message_is_these_bytes() -> None:
    message = payload(1790000000, {"air_c": 17.23, "humidity_pct": 61.4, "part_c": 16.8125})
    assert message == b'{"t": 1790000000, "air_c": 17.23, "humidity_pct": 61.4, "part_c": 16.81}'


@given(st.integers(0, 2**32), st.floats(-50.0, 130.0))
def test_a_value_comes_back_within_half_a_hundredth(t_s: int, value: float) -> None:
    back = json.loads(payload(t_s, {"air_c": value}))
    assert back["t"] == t_s
    assert back["air_c"] == pytest.approx(value, abs=0.005 + 1e-9)


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_what_json_cannot_say_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="air_c is"):
        payload(0, {"air_c": value})


def test_every_channel_is_an_entry_that_layday_accepts_and_finds_in_the_message() -> None:
    config = parse_config({"sensor": sensor_entries()}, "layday.toml")
    assert set(config.sensors) == set(CHANNELS)
    reported = Simulation(Tent(), START, 1).reported()
    for entry in config.sensor:
        message = json.loads(payload(int(START.timestamp()), node_values(entry.place, reported)))
        assert isinstance(message[entry.pointer.removeprefix("/")], int | float)
        assert entry.time_pointer == "/t"
    assert {entry.topic for entry in config.sensor} == {f"tunnel/{node}/node" for node in NODES}
