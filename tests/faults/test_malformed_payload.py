"""Failures 1 and 12: a malformed payload ends the collector; one bad value takes a whole batch with it."""

from pathlib import Path

import pytest

from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import RawClient
from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.faults.support import (
    FIRST_MS,
    TOPIC,
    at_us,
    daemon_word,
    expecting_failure_if,
    installation,
    reading,
    running,
    say,
    sound_and,
)

MALFORMED = (
    b"",
    b"\x00\xff\xfe",
    b'{"t": 1775000000000, "air_c": ',
    b"[" * 100_000,
    b'{"t": 1775000000000, "air_c": {"air_c": 1}}',
    b'{"t": 1e400, "air_c": 1}',
    b'{"t": 1775000000000, "air_c": 1' + b"0" * 5000 + b"}",
    b"<air>20.1</air>",
)


@sound_and("trusting")
def test_a_malformed_payload_is_put_aside_and_the_next_reading_is_kept(tmp_path: Path, defect: str) -> None:
    with running(installation(tmp_path, defect)) as layday, expecting_failure_if(defect):
        for payload in MALFORMED:
            assert say(layday, payload), f"{payload[:30]!r} would be sent again for ever"
        with RawClient(layday.port) as stranger:
            stranger.send(b"\x16\x03\x01GET / HTTP/1.1\r\n\r\n")
            assert stranger.hung_up()
        assert say(layday, reading(1))
        assert layday.values("keel.air_c") == {at_us(1): 0.001}
        until(lambda: daemon_word(layday)["intake"]["rejected_count"] >= len(MALFORMED), "all are counted")


BURST = (
    (0, b"20"),
    (1, b"NaN"),
    (2, b"20.5"),
    (3, b"null"),
    (4, b"-Infinity"),
    (5, b'"damp"'),
    (6, b"21"),
    (7, b"true"),
    (8, b"[21.5]"),
    (9, b"2.15e1"),
)
GOOD = {0: 20.0, 2: 20.5, 6: 21.0, 9: 21.5}


def _burst(layday: Layday) -> None:
    """Send all in one write, so that they share a batch, and wait for all acknowledgements."""
    with RawClient(layday.port) as raw:
        raw.send(client.connect(4, "burst"))
        assert raw.packet()[3] == 0
        payloads = [b'{"t": %d, "air_c": %s}' % (FIRST_MS + n, word) for n, word in BURST]
        raw.send(b"".join(client.publish(TOPIC, p, qos=1, packet_id=n + 1) for n, p in enumerate(payloads)))
        assert len(raw.read(4 * len(BURST))) == 4 * len(BURST)


@sound_and("all_or_nothing")
def test_nan_null_and_words_leave_the_other_values_of_a_batch_alone(tmp_path: Path, defect: str) -> None:
    """A whole number before a fraction sets no type for those that follow."""
    with running(installation(tmp_path, defect)) as layday:
        _burst(layday)
        with expecting_failure_if(defect):
            assert layday.values("keel.air_c") == {at_us(n): value for n, value in GOOD.items()}


@pytest.mark.parametrize("word", [b"NaN", b"Infinity", b"null", b'"damp"'])
def test_the_other_values_of_the_same_message_are_kept(tmp_path: Path, word: bytes) -> None:
    layday = installation(tmp_path, sensors=sensor_lines(TOPIC, ["air_c", "humidity_pct"]))
    with running(layday):
        assert say(layday, b'{"t": 1775000000000, "air_c": %s, "humidity_pct": 61}' % word)
        assert layday.values("keel.air_c") == {}
        assert list(layday.values("keel.humidity_pct").values()) == [61.0]
