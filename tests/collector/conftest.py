"""A real mosquitto, and each way through paho at either version of MQTT."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.enums import MQTTProtocolVersion

from collector.broker_bulk import BulkWire
from collector.broker_wire import StockWire, Wire
from tests.collector.broker_tools import (
    Make,
    making_clients,
)
from tests.mosquitto import Mosquitto

MQTT5, MQTT311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    with Mosquitto(tmp_path / "broker") as running:
        yield running


@pytest.fixture(params=[StockWire, BulkWire], ids=lambda wire: wire.__name__)
def wire(request: pytest.FixtureRequest) -> type[Wire]:
    chosen: type[Wire] = request.param
    return chosen


@pytest.fixture(params=[MQTT5, MQTT311], ids=["MQTT5", "MQTT311"])
def protocol(request: pytest.FixtureRequest) -> MQTTProtocolVersion:
    chosen: MQTTProtocolVersion = request.param
    return chosen


@pytest.fixture
def make(wire: type[Wire], protocol: MQTTProtocolVersion) -> Iterator[Make]:
    with making_clients(wire, protocol) as build:
        yield build
