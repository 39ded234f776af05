"""The bulk reader: the messages that MQTT's rules give, in any pieces; and the way back."""

from collections.abc import Iterator
from pathlib import Path

import paho.mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from collector import broker_bulk
from collector.broker_bulk import BulkWire, best_wire, packet_end, scan_publishes
from collector.broker_client import BrokerClient
from collector.broker_wire import MAX_PAYLOAD_BYTES, Deliveries, Publish, StockWire, Wire
from collector.clock import SystemClock
from collector.source_config import BrokerConfig
from tests.collector.broker_tools import QUICK, TOPICS, RememberingSink, connect, wait_until
from tests.mosquitto import Mosquitto


def varint(number: int) -> bytes:
    """Encode a length as MQTT does (3.1.1, section 2.2.3; its table 2.4 is checked below)."""
    digits = b""
    while True:
        number, digit = divmod(number, 128)
        digits += bytes([digit | (0x80 if number else 0)])
        if not number:
            return digits


@pytest.mark.parametrize(
    ("length", "encoded"),
    [
        (0, b"\x00"),
        (127, b"\x7f"),
        (128, b"\x80\x01"),
        (16_383, b"\xff\x7f"),
        (16_384, b"\x80\x80\x01"),
        (2_097_151, b"\xff\xff\x7f"),
        (2_097_152, b"\x80\x80\x80\x01"),
        (268_435_455, b"\xff\xff\xff\x7f"),
    ],
)
def test_packet_lengths_are_those_of_the_standard(length: int, encoded: bytes) -> None:
    """MQTT 3.1.1, table 2.4."""
    assert varint(length) == encoded
    assert packet_end(b"\x30" + encoded, 0) == 1 + len(encoded) + length
    for short in range(1, len(encoded)):
        assert packet_end(b"\x30" + encoded[:short], 0) == 0
    assert packet_end(b"\x30\x80\x80\x80\x80\x01", 0) == -1


flags = st.sampled_from([0x30, 0x31, 0x32, 0x33, 0x3A, 0x3B])
publishes = st.tuples(
    flags,
    st.binary(max_size=200),
    st.integers(1, 65_535),
    st.one_of(st.binary(max_size=300), st.integers(0, 20_000).map(bytes)),
).map(lambda p: p if p[0] & 2 else (p[0], p[1], 0, p[3]))
others = st.sampled_from([b"\xd0\x00", b"\x90\x03\x00\x01\x01", b"\xe0\x02\x8e\x00", b"\x62\x02\x00\x01"])


def encode(publish: Publish, properties: bytes | None) -> bytes:
    first, topic, packet_id, payload = publish
    body = len(topic).to_bytes(2, "big") + topic
    body += packet_id.to_bytes(2, "big") if first & 2 else b""
    body += b"" if properties is None else varint(len(properties)) + properties
    body += payload
    return bytes([first]) + varint(len(body)) + body


def user_property(size: int) -> bytes:
    """Return a user property (5.0, section 3.3.2.3.7) with a value of `size` bytes."""
    return b"\x26\x00\x01k" + size.to_bytes(2, "big") + b"v" * size


class Recorder(BulkWire):
    """A bulk wire whose other packets are noted instead of being fed to paho."""

    def __init__(self, *, mqtt5: bool) -> None:
        version = MQTTProtocolVersion.MQTTv5 if mqtt5 else MQTTProtocolVersion.MQTTv311
        client = Client(CallbackAPIVersion.VERSION2, client_id="x", protocol=version)
        super().__init__(client, Deliveries(1, "there", SystemClock()))
        self.fed: list[bytes] = []

    def _feed(self, packet: bytes) -> MQTTErrorCode:
        self.fed.append(packet)
        return MQTTErrorCode.MQTT_ERR_SUCCESS


@given(
    st.lists(st.one_of(publishes, others), max_size=12),
    st.lists(st.integers(1, 400), min_size=1),
    st.sampled_from([None, 0, 20, 300]),
)
def test_a_stream_in_any_pieces_gives_the_same_messages(
    sent: list[Publish | bytes], pieces: list[int], property_size: int | None
) -> None:
    """Round trip; a `property_size` means MQTT 5."""
    properties = None if property_size is None else user_property(property_size) if property_size else b""
    stream = b"".join(p if isinstance(p, bytes) else encode(p, properties) for p in sent)
    wire = Recorder(mqtt5=properties is not None)
    # the socket is never open here, so `_parse` is called as `read` would
    wire.client.socket = lambda: wire  # type: ignore[method-assign, assignment, return-value]
    turn = 0
    while stream:
        piece = pieces[turn % len(pieces)]
        turn += 1
        assert wire._parse(stream[:piece]) == MQTTErrorCode.MQTT_ERR_SUCCESS
        stream = stream[piece:]
    assert wire._rest == b""
    assert wire.fed == [p for p in sent if isinstance(p, bytes)]
    expected = [p for p in sent if isinstance(p, tuple) and is_utf8(p[1])]
    got = [
        (
            0x30 | m.retained | (2 if m.token else 0) | m.duplicate << 3,
            m.topic.encode(),
            m.packet_id,
            m.payload,
        )
        for m in wire.deliveries.messages
    ]
    assert got == expected
    assert len(wire.deliveries.rejected) == sum(isinstance(p, tuple) and not is_utf8(p[1]) for p in sent)


def is_utf8(topic: bytes) -> bool:
    try:
        topic.decode()
    except UnicodeDecodeError:
        return False
    return True


@given(st.binary(max_size=400), st.booleans())
def test_garbage_neither_raises_nor_hangs(data: bytes, mqtt5: bool) -> None:  # noqa: FBT001
    found: list[Publish] = []
    at = scan_publishes(data, 0, mqtt5, found)
    assert 0 <= at <= len(data)
    wire = Recorder(mqtt5=mqtt5)
    wire.client.socket = lambda: wire  # type: ignore[method-assign, assignment, return-value]
    assert wire._parse(data) in (MQTTErrorCode.MQTT_ERR_SUCCESS, MQTTErrorCode.MQTT_ERR_PROTOCOL)


def test_a_huge_message_is_thrown_away_as_it_comes() -> None:
    """256 MB are the most MQTT allows; a small computer must not gather them."""
    wire = Recorder(mqtt5=False)
    wire.client.socket = lambda: wire  # type: ignore[method-assign, assignment, return-value]
    size = 50_000_000
    head = b"\x32" + varint(2 + 5 + 2 + size) + b"\x00\x05topic" + b"\x00\x09"
    wire._parse(head + b"y" * 1000)
    left = size - 1000
    most = 0
    while left:
        piece = min(left, 65_536)
        wire._parse(b"y" * piece)
        left -= piece
        most = max(most, len(wire._rest))
        if left:
            assert wire.deliveries.settled == []
    assert most < 2 * MAX_PAYLOAD_BYTES
    (item,) = wire.deliveries.rejected
    assert (item.topic, item.size_bytes, item.payload_head) == ("topic", size, b"y" * 256)
    assert wire.deliveries.settled == [9]
    wire._parse(encode((0x32, b"topic", 10, b"20"), None))
    assert [message.payload for message in wire.deliveries.messages] == [b"20"]


def test_acknowledgements_are_joined() -> None:
    wire = Recorder(mqtt5=False)
    wire.deliveries.take([(0x32, b"a", 1, b""), (0x32, b"a", 258, b""), (0x32, b"a", 3, b"")])
    wire.deliveries.settle([message.token for message in wire.deliveries.messages[:2]])
    assert wire.acknowledge() == b"\x40\x02\x00\x01\x40\x02\x01\x02"
    assert wire.acknowledge() == b""


def test_the_bulk_wire_is_used_with_the_paho_that_is_installed() -> None:
    assert best_wire() is BulkWire


def test_an_unknown_paho_is_left_to_its_own_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(paho.mqtt, "__version__", "9.0.0")
    assert best_wire() is StockWire


def test_a_paho_without_the_seam_is_left_to_its_own_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(Client, "_sock_recv")
    assert best_wire() is StockWire


def test_a_paho_with_another_seam_is_left_to_its_own_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    def into(_self: Client, buffer: bytearray) -> int:
        return len(buffer)

    monkeypatch.setattr(Client, "_sock_recv", into)
    assert best_wire() is StockWire


@pytest.fixture
def client(tmp_path: Path) -> Iterator[tuple[BrokerClient, Mosquitto]]:
    with Mosquitto(tmp_path) as broker:
        config = BrokerConfig(host=broker.host, port=broker.port)
        made = BrokerClient(config, TOPICS, SystemClock(), pace=QUICK)
        yield made, broker
        made.stop()


def wire_of(source: BrokerClient) -> type[Wire]:
    return source._wire


def test_a_paho_that_reads_past_the_seam_is_noticed_at_the_first_packet(
    client: tuple[BrokerClient, Mosquitto], monkeypatch: pytest.MonkeyPatch
) -> None:
    source, broker = client
    assert wire_of(source) is BulkWire
    monkeypatch.setattr(broker_bulk._FedClient, "_sock_recv", Client._sock_recv)
    sink = RememberingSink()
    connect(source, sink)
    assert wire_of(source) is StockWire
    broker.publish(TOPICS[0], "1")
    wait_until(lambda: sink.payloads() == ["1"], "the message through stock paho")


def test_a_failure_of_the_bulk_reader_loses_nothing(
    client: tuple[BrokerClient, Mosquitto], monkeypatch: pytest.MonkeyPatch
) -> None:
    source, broker = client
    sink = RememberingSink()
    connect(source, sink)

    def fail(*_: object) -> int:
        raise IndexError

    monkeypatch.setattr(broker_bulk, "scan_publishes", fail)
    broker.publish(TOPICS[0], "1")
    wait_until(lambda: sink.payloads() == ["1"], "the message again, through stock paho")
    assert wire_of(source) is StockWire
