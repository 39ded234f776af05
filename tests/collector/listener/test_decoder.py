"""The codec: MQTT's packets out of any stream of bytes."""

from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.listener.decoder import Decoder
from collector.listener.packets import (
    Connect,
    Goodbye,
    Oversized,
    Packet,
    Ping,
    Release,
    Subscribe,
    Unsubscribe,
)
from collector.listener.wire import ProtocolError, Reason, pubacks, varint_bytes
from tests.collector.listener import client_bytes as client

MAX_PAYLOAD = 200


class Outcome(NamedTuple):
    """What came of a stream."""

    packets: list[Packet]
    code: Reason | None
    words: str


def decode(*pieces: bytes, max_payload: int = MAX_PAYLOAD) -> Outcome:
    decoder = Decoder(max_payload, {})
    packets: list[Packet] = []
    for piece in pieces:
        try:
            decoder.feed(piece, packets)
        except ProtocolError as error:
            return Outcome(packets, error.code, error.words)
    return Outcome(packets, None, "")


topics = st.text(
    st.characters(exclude_characters="+#\0", exclude_categories=["Cs"]), min_size=1, max_size=300
)
payloads = st.binary(max_size=2 * MAX_PAYLOAD)
user_property = b"\x26" + client.text("k") + client.text("v")


def publishes(version: int) -> st.SearchStrategy[bytes]:
    return st.builds(
        lambda topic, payload, qos, packet_id, duplicate, properties: client.publish(
            topic,
            payload,
            version=version,
            qos=qos,
            packet_id=packet_id,
            duplicate=duplicate and qos > 0,
            properties=properties,
        ),
        topics,
        payloads,
        st.sampled_from([0, 1]),
        st.integers(1, 65535),
        st.booleans(),
        st.sampled_from([b"", user_property, b"\x02\0\0\0\x3c" + user_property * 20]),
    )


def conversations(version: int) -> st.SearchStrategy[list[bytes]]:
    others = st.sampled_from(
        [
            client.PING,
            client.subscribe("a", "b/#", version=version),
            client.unsubscribe("a", version=version),
            b"\x62\x02\x00\x05",
            client.DISCONNECT,
        ]
    )
    return st.lists(publishes(version) | others, max_size=8).map(
        lambda rest: [client.connect(version, will=("w", b"gone"), user="u", password=b"p"), *rest]
    )


any_conversation = conversations(4) | conversations(5)


@st.composite
def fragmented(draw: st.DrawFn, streams: st.SearchStrategy[bytes]) -> tuple[bytes, list[bytes]]:
    stream = draw(streams)
    cuts = sorted(draw(st.sets(st.integers(0, len(stream)), max_size=12)))
    return stream, [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]


@given(fragmented(any_conversation.map(b"".join)))
def test_fragments_at_any_byte_give_the_same_packets(case: tuple[bytes, list[bytes]]) -> None:
    stream, pieces = case
    assert decode(*pieces) == decode(stream)


@given(any_conversation)
def test_every_packet_of_a_conversation_comes_out_once(parts: list[bytes]) -> None:
    whole = decode(b"".join(parts))
    assert whole.code is None
    assert len(whole.packets) == len(parts)
    assert decode(*[bytes([b]) for b in b"".join(parts)]) == whole


@st.composite
def spoilt(draw: st.DrawFn) -> bytes:
    """Return a conversation with some bytes changed, cut out or put in."""
    stream = bytearray(b"".join(draw(any_conversation)))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(0, len(stream) - 1)))
        stream[at : at + draw(st.integers(0, 3))] = draw(st.binary(max_size=4))
    return bytes(stream)


@given(fragmented(spoilt() | st.binary(max_size=300) | st.binary(max_size=300).map(client.connect().__add__)))
def test_no_bytes_raise_anything_but_a_protocol_error(case: tuple[bytes, list[bytes]]) -> None:
    """And a spoilt stream, too, gives the same however it is fragmented."""
    stream, pieces = case
    assert decode(*pieces) == decode(stream)


@given(topics, st.binary(max_size=MAX_PAYLOAD), st.integers(1, 65535), st.booleans(), st.sampled_from([4, 5]))
def test_a_message_comes_out_as_it_went_in(
    topic: str,
    payload: bytes,
    packet_id: int,
    duplicate: bool,  # noqa: FBT001  hypothesis draws it
    version: int,
) -> None:
    sent = client.publish(topic, payload, version=version, qos=1, packet_id=packet_id, duplicate=duplicate)
    packets = decode(client.connect(version) + sent).packets
    assert packets[1:] == [(topic, payload, 1, duplicate, packet_id)]


@given(
    topics,
    st.integers(MAX_PAYLOAD + 1, 5 * MAX_PAYLOAD),
    st.sampled_from([(4, b""), (5, b""), (5, user_property), (5, 3 * user_property)]),
    st.integers(1, 2000),
)
def test_an_oversized_message_is_skipped_and_the_next_one_is_whole(
    topic: str, size: int, spoken: tuple[int, bytes], piece: int
) -> None:
    """However its head is cut by the network."""
    version, properties = spoken
    payload = bytes(i % 256 for i in range(size))
    large = client.publish(topic, payload, version=version, qos=1, packet_id=9, properties=properties)
    stream = client.connect(version) + large + client.publish("next", b"1", version=version)
    packets = decode(*(stream[at : at + piece] for at in range(0, len(stream), piece))).packets
    head = bytes(range(64))
    assert packets[1:] == [Oversized(topic, head, size, 1, 9), ("next", b"1", 0, False, 0)]


@pytest.mark.parametrize("retain", [False, True])
@pytest.mark.parametrize("qos", [0, 1])
def test_an_oversized_message_is_told_by_its_own_first_bytes_whatever_its_flags(
    qos: int, *, retain: bool
) -> None:
    """At QoS 0 no packet identifier stands before the payload, retained or not (MQTT 5.0, 3.3.2.2)."""
    large = client.publish("big", bytes(range(100)), qos=qos, packet_id=9, retain=retain)
    packets = decode(client.connect() + large, max_payload=99).packets
    assert packets[1:] == [Oversized("big", bytes(range(64)), 100, qos, 9 * qos)]


@pytest.mark.parametrize("version", [4, 5])
@pytest.mark.parametrize(
    ("topic", "payload"),
    [("t" * 90, b"21.5"), ("t", b"x" * 65), ("t" * 90, b"x" * 65), ("t" * 200, b"x" * 129)],
)
def test_no_message_waits_for_a_byte_behind_it(topic: str, payload: bytes, version: int) -> None:
    """Wherever the network cuts it, after others in one piece: it is there once its last byte is."""
    properties = user_property if version == 5 else b""
    sent = client.publish(topic, payload, version=version, properties=properties)
    before = client.connect(version) + 40 * client.publish("before", b"1", version=version)
    is_large = len(payload) > 10
    expected = (
        Oversized(topic, payload[:64], len(payload), 0, 0) if is_large else (topic, payload, 0, False, 0)
    )
    for cut in range(1, len(sent)):
        decoder, packets = Decoder(10, {}), list[Packet]()
        decoder.feed(before + sent[:cut], packets)
        decoder.feed(sent[cut:], packets)
        assert packets[41:] == [expected], cut
        assert not decoder.in_mid_packet


def test_topics_that_clients_make_up_are_not_remembered_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.listener.decoder._REMEMBERED_TOPICS", 3)
    monkeypatch.setattr("collector.listener.decoder._REMEMBERED_TOPIC_BYTES", 4)
    topics: dict[bytes, str] = {}
    decoder, packets = Decoder(MAX_PAYLOAD, topics), list[Packet]()
    decoder.feed(client.connect(), packets)
    names = ["a", "b", "c", "a", "long topic", "d", "four", "fives"]
    for name in names:
        decoder.feed(client.publish(name, b"1"), packets)
    assert packets[1:] == [(name, b"1", 0, False, 0) for name in names]
    assert topics == {b"d": "d", b"four": "four"}


def test_an_oversized_message_is_never_held() -> None:
    decoder = Decoder(MAX_PAYLOAD, {})
    packets: list[Packet] = []
    decoder.feed(client.connect(), packets)
    large = client.publish("big", b"x" * 3_000_000)
    for at in range(0, len(large), 1_000):
        decoder.feed(large[at : at + 1_000], packets)
        assert len(decoder._pending) <= MAX_PAYLOAD
    assert packets[1:] == [Oversized("big", b"x" * 64, 3_000_000, 0, 0)]
    assert not decoder.in_mid_packet


def test_a_long_topic_does_not_make_a_small_payload_oversized() -> None:
    topic = "t" * 65_535
    sent = client.publish(topic, b"21.5", version=5, properties=user_property)
    assert decode(client.connect(5) + sent).packets[1:] == [(topic, b"21.5", 0, False, 0)]


def test_a_connect_is_read_to_its_last_field() -> None:
    sent = client.connect(
        5,
        "keel-node",
        keep_alive_s=45,
        clean=False,
        user="keel",
        password=b"\xff\0secret",
        will=("keel/state", b"gone"),
        will_qos=1,
        properties=b"\x11\0\0\x0e\x10" + b"\x17\0" + b"\x27\0\0\1\0" + user_property,
        will_properties=b"\x18\0\0\0\x05",
    )
    [packet] = decode(sent).packets
    assert isinstance(packet, Connect)
    assert packet.will is not None
    assert (packet.version, packet.client_id, packet.keep_alive_s) == (5, "keel-node", 45)
    assert (packet.clean_start, packet.session_expiry_s) == (False, 3600)
    assert (packet.will.topic, packet.will.payload, packet.will.delay_s) == ("keel/state", b"gone", 5)
    assert (packet.user, packet.password) == ("keel", b"\xff\0secret")
    assert (packet.wants_reasons, packet.max_packet_bytes) == (False, 256)
    assert "secret" not in repr(packet)


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        (client.PING, Ping()),
        (client.subscribe("a/b", "+/c"), Subscribe(7, ("a/b", "+/c"))),
        (client.unsubscribe("a/b"), Unsubscribe(8, 1)),
        (b"\x62\x02\x01\x02", Release(258)),
        (client.DISCONNECT, Goodbye(with_will=False, session_expiry_s=None)),
    ],
)
def test_every_other_packet_is_read(sent: bytes, expected: Packet) -> None:
    assert decode(client.connect() + sent).packets[1] == expected


def test_a_disconnect_may_ask_for_the_will_and_another_expiry() -> None:
    sent = b"\xe0\x07\x04\x05\x11\0\0\0\x3c"
    assert decode(client.connect(5) + sent).packets[1] == Goodbye(with_will=True, session_expiry_s=60)


CONNECT_4, CONNECT_5 = client.connect(4), client.connect(5)
WITH_ALIAS = client.publish("t", b"", version=5, properties=b"\x23\0\1")


@pytest.mark.parametrize(
    ("stream", "code", "words"),
    [
        # section numbers: OASIS MQTT 5.0; (3) marks those of 3.1.1
        (b"GET / HTTP/1.1\r\n", Reason.PROTOCOL_ERROR, "not MQTT: the first packet is no CONNECT"),
        (b"\x16\x03\x01\x02\0", Reason.PROTOCOL_ERROR, "a TLS handshake on a port without TLS"),
        (client.PING, Reason.PROTOCOL_ERROR, "not MQTT: the first packet is no CONNECT"),  # 3.1.0-1
        (CONNECT_4 + CONNECT_4, Reason.PROTOCOL_ERROR, "a second CONNECT"),  # 3.1.0-2
        (client.connect(3), Reason.UNSUPPORTED_VERSION, "an MQTT version other than 3.1.1 and 5"),  # 3.1.2-2
        (client.connect(6), Reason.UNSUPPORTED_VERSION, "an MQTT version other than 3.1.1 and 5"),
        (client.connect(5, will=("a", b""), will_qos=2), Reason.QOS_NOT_SUPPORTED, "a will at QoS 2"),
        (client.connect(4, will=("a", b""), will_qos=3), Reason.MALFORMED_PACKET, "flags of the will"),
        (client.connect(4, password=b"p"), Reason.MALFORMED_PACKET, "a password but no user"),  # (3) 3.1.2-22
        (client.connect(4, will=("a/#", b"")), Reason.TOPIC_NAME_INVALID, "the topic has a wildcard"),
        (CONNECT_4 + client.publish("a/+/b", b""), Reason.TOPIC_NAME_INVALID, "has a wildcard"),  # 3.3.2-2
        (CONNECT_4 + client.publish("", b""), Reason.TOPIC_NAME_INVALID, "the topic is empty"),  # 4.7.3-1
        (CONNECT_4 + client.publish(b"a\xff", b""), Reason.MALFORMED_PACKET, "is not UTF-8"),  # 1.5.4-1
        (CONNECT_4 + client.publish(b"a\xed\xa0\x80", b""), Reason.MALFORMED_PACKET, "not UTF-8"),  # 1.5.4-1
        (CONNECT_4 + client.publish("a\0b", b""), Reason.MALFORMED_PACKET, "has U+0000 in it"),  # 1.5.4-2
        (CONNECT_4 + client.publish("a", b"", qos=2), Reason.QOS_NOT_SUPPORTED, "at QoS 2"),  # 3.2.2-11
        (CONNECT_4 + client.publish("a", b"", qos=3), Reason.MALFORMED_PACKET, "at QoS 3"),  # 3.3.1-4
        (CONNECT_4 + client.publish("a", b"", duplicate=True), Reason.PROTOCOL_ERROR, "claims to be a dup"),
        (CONNECT_4 + client.publish("a", b"", qos=1, packet_id=0), Reason.PROTOCOL_ERROR, "of 0"),  # 2.2.1-3
        (CONNECT_5 + WITH_ALIAS, Reason.TOPIC_ALIAS_INVALID, "a topic alias, of which none was allowed"),
        (CONNECT_4 + b"\xc1\x00", Reason.MALFORMED_PACKET, "reserved flags"),  # 2.1.3-1
        (CONNECT_4 + b"\x80\x02\0\1", Reason.MALFORMED_PACKET, "reserved flags"),  # 3.8.1-1
        (CONNECT_4 + b"\x82\x02\0\1", Reason.PROTOCOL_ERROR, "a SUBSCRIBE without a filter"),  # 3.8.3-2
        (CONNECT_4 + b"\xa2\x02\0\1", Reason.PROTOCOL_ERROR, "an UNSUBSCRIBE without a filter"),
        (CONNECT_4 + b"\x40\x02\0\1", Reason.PROTOCOL_ERROR, "a client has no reason to send"),
        (CONNECT_4 + b"\x20\x02\0\0", Reason.PROTOCOL_ERROR, "a client has no reason to send"),
        (CONNECT_4 + b"\x30\xff\xff\xff\xff\x01", Reason.MALFORMED_PACKET, "more than four bytes"),  # 1.5.5
        (CONNECT_4 + b"\x82\xff\xff\xff\x7f", Reason.PACKET_TOO_LARGE, "not a PUBLISH, but as large"),
        (CONNECT_4 + b"\x30\x02\0\5", Reason.MALFORMED_PACKET, "a packet ends in mid-field"),
        (CONNECT_5 + b"\x30\x05\0\1a\1\x2b", Reason.MALFORMED_PACKET, "a property that MQTT does not know"),
        (CONNECT_5 + b"\x30\x06\0\1a\2\x0b\1", Reason.PROTOCOL_ERROR, "where it may not be"),
    ],
)  # fmt: skip
def test_what_is_not_mqtt_is_named(stream: bytes, code: Reason, words: str) -> None:
    outcome = decode(stream)
    assert outcome.code == code
    assert words in outcome.words


def test_a_message_with_bad_flags_is_named_by_its_topic_and_size_wherever_it_stands() -> None:
    decoder = Decoder(MAX_PAYLOAD, {})
    with pytest.raises(ProtocolError) as found:
        decoder.feed(CONNECT_4 + client.PING + client.publish("keel/air", b"21.5", qos=2), [])
    # two bytes of length, the topic, two of a packet identifier, the payload
    assert (found.value.topic, found.value.size_bytes) == ("keel/air", 2 + 8 + 2 + 4)


def test_packets_before_a_bad_one_are_kept() -> None:
    outcome = decode(CONNECT_4 + client.publish("a", b"1") + b"\xf0\x00")
    assert outcome.packets[1:] == [("a", b"1", 0, False, 0)]
    assert outcome.code == Reason.PROTOCOL_ERROR


@pytest.mark.parametrize(
    ("value", "encoded"),
    [
        # MQTT 5.0 table 1-1: the first and last value of each length
        (0, "00"), (127, "7f"), (128, "8001"), (16_383, "ff7f"), (16_384, "808001"),
        (2_097_151, "ffff7f"), (2_097_152, "80808001"), (268_435_455, "ffffff7f"),
    ],
)  # fmt: skip
def test_lengths_are_encoded_as_the_standard_tables_them(value: int, encoded: str) -> None:
    assert varint_bytes(value).hex() == encoded


def test_acknowledgements_are_joined_in_their_order() -> None:
    assert pubacks([65535, 1, 256]) == bytes.fromhex("4002ffff4002000140020100")
    assert pubacks([]) == b""
