"""The short form of the listener's fuzzing, and garbage over real sockets."""

import asyncio
import contextlib
import random

from collector.listener import Limits
from tests.collector.listener import client_bytes as client
from tests.collector.listener.support import Basket, RawClient, eventually, joined, listening
from tests.fuzz.listener import conversation, cut, fuzz, spoil


def test_no_spoilt_conversation_crashes_hangs_or_bloats_the_listener() -> None:
    seen = asyncio.run(fuzz(count=25_000, seed=2))
    assert seen["behaviours"] > 100  # or the inputs have stopped reaching anything


def test_spoilt_conversations_over_real_sockets_never_disturb_a_good_sensor() -> None:
    rng, sink = random.Random(3), Basket()
    limits = Limits(connection_burst=10_000, linger_s=0.2, sweep_s=0.1)
    with listening(sink, limits=limits) as listener, joined(listener.port, client_id="good") as good:
        for i in range(300):
            data = conversation(rng)
            spoil(rng, data, [bytes(data)])
            with RawClient(listener.port) as raw, contextlib.suppress(ConnectionError):
                for piece in cut(rng, bytes(data)):
                    raw.send(piece)
            good.send(client.publish("good", b"%d" % i, qos=1, packet_id=i + 1))
            assert good.packet() == b"\x40\x02" + (i + 1).to_bytes(2, "big")
        eventually(lambda: listener.status().connections == 1)
    assert [int(m.payload) for m in sink.got if m.topic == "good"] == list(range(300))
