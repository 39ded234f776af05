"""How often: packets of a client, connections of an address, records of them all."""

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.listener import Limits
from collector.listener.rates import AddressRates, Bucket
from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import Basket, RawClient, eventually, joined, listening


@given(st.lists(st.tuples(st.floats(0, 5), st.integers(0, 50)), max_size=40))
def test_whoever_waits_as_told_never_gets_more_than_rate_and_burst(steps: list[tuple[float, int]]) -> None:
    per_s, burst = 10.0, 20
    bucket = Bucket(per_s, burst, 0.0)
    now_s, taken = 0.0, 0
    for pause_s, count in steps:
        now_s += pause_s
        wait_s = bucket.wait_s(count, now_s)
        taken += count
        now_s += wait_s
        assert taken <= burst + per_s * now_s + 1e-6


def test_a_bucket_allows_its_burst_and_then_its_rate() -> None:
    bucket = Bucket(2.0, 3, 0.0)
    assert [bucket.allows(0.0) for _ in range(5)] == [True] * 3 + [False] * 2
    assert not bucket.allows(0.4)
    assert bucket.allows(0.6)
    assert [bucket.allows(100.0) for _ in range(5)] == [True] * 3 + [False] * 2


def test_addresses_count_apart_and_an_ipv6_network_as_one() -> None:
    rates = AddressRates(1.0, 2, max_count=3)
    assert [rates.allows("192.0.2.1", 0.0) for _ in range(3)] == [True, True, False]
    assert rates.allows("192.0.2.2", 0.0)
    assert [rates.allows(f"2001:db8::{i}", 0.0) for i in range(1, 4)] == [True, True, False]
    assert rates.allows("2001:db8:0:1::1", 0.0)
    assert rates.allows("fe80::1%eth0", 0.0)
    assert len(rates._buckets) == 3


@pytest.mark.parametrize("qos", [0, 1])
def test_a_client_that_goes_wild_is_slowed_and_the_others_are_not(qos: int) -> None:
    sink = Basket()
    with listening(sink, limits=Limits(packets_per_s=500)) as listener, joined(listener.port) as wild:
        wild.send(b"".join(client.publish("t", b"1", qos=qos, packet_id=i) for i in range(1, 1501)))
        sink.wait(lambda s: len(s.got) == 1500)  # one read takes them all, and a debt of 500
        began_s = time.monotonic()
        wild.send(client.publish("t", b"late"))
        with joined(listener.port, client_id="calm") as calm:
            calm.send(client.PING)
            assert calm.packet() == b"\xd0\x00"
            assert len(sink.got) == 1500  # the wild one's late message still waits
        sink.wait(lambda s: s.got[-1].payload == b"late")
        assert time.monotonic() - began_s > 0.5


def test_an_address_that_connects_without_end_is_turned_away_and_counted() -> None:
    sink = Basket()
    limits = Limits(connection_burst=10, connections_per_s=5.0)
    with listening(sink, limits=limits, max_connections=5) as listener:
        answered = 0
        for i in range(20):
            with RawClient(listener.port) as raw:
                try:
                    raw.send(client.connect(4, f"node{i}"))
                    answered += raw.packet() == b"\x20\x02\x00\x00"
                except ConnectionError:
                    pass
        assert 10 <= answered < 20
        turned_away = f"{20 - answered} times: too many connections from one address in a short time"
        assert turned_away in listener.status().words
        assert listener.status().dropped_count == 20 - answered
        time.sleep(1.0)
        with joined(listener.port):
            pass


def test_a_flood_of_garbage_is_counted_but_fills_no_log() -> None:
    sink = Basket()
    with listening(sink, limits=Limits(record_burst=10, records_per_s=0.1)) as listener:
        for _ in range(50):
            with RawClient(listener.port) as raw:
                raw.send(b"GET / HTTP/1.1\r\n\r\n")
                assert raw.hung_up()
        eventually(lambda: listener.status().dropped_count == 50)
        assert "50 times: not MQTT" in listener.status().words
    assert 10 <= len(sink.bad) <= 12
