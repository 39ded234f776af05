"""Fuzz the listener: ``python -m tests.fuzz.listener --inputs 1000000 [--seed 1]``.

Whole conversations, spoilt in many ways and cut at any byte, go through the listener's own
hub, gate and connections; only the socket is played. Inputs that made it behave in a way not
seen before are kept and spoilt further. With the package atheris installed (no dependency of
ours: ``pip install atheris``), ``--guided`` lets libFuzzer steer by code coverage instead.
"""

import argparse
import asyncio
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from types import FunctionType

from collector.clock import ManualClock
from collector.domain import Rejected
from collector.listener import packets
from collector.listener.connection import Connection
from collector.listener.decoder import Decoder
from collector.listener.gate import Gate
from collector.listener.hub import Hub
from collector.listener.limits import Limits
from collector.listener.tally import Tally
from collector.listener.wire import Reader
from collector.source import Message
from collector.source_config import ListenerConfig
from tests.collector.listener import client_bytes as client

MAX_PAYLOAD_BYTES = 300
LONGEST_INPUT_BYTES = 4_000
SLOWEST_INPUT_S = 2.0
MOST_GROWTH_MB = 40
_SERVER_KINDS = {
    2: "CONNACK",
    4: "PUBACK",
    7: "PUBCOMP",
    9: "SUBACK",
    11: "UNSUBACK",
    13: "PINGRESP",
    14: "BYE",
}


class FoundError(AssertionError):
    """The listener did what it must never do; the text has the input."""


class Wire(asyncio.Transport):
    """The played socket: keeps what is written and closes as asyncio would."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        super().__init__()
        self.written = bytearray()
        self.connection: Connection | None = None
        self._loop = loop
        self._closing = False

    def write(self, data: bytes | bytearray | memoryview) -> None:
        self.written += data

    def is_closing(self) -> bool:
        return self._closing

    def close(self) -> None:
        if not self._closing and self.connection is not None:
            self._closing = True
            self._loop.call_soon(self.connection.connection_lost, None)

    def abort(self) -> None:
        self.close()

    def can_write_eof(self) -> bool:
        return True

    def write_eof(self) -> None:
        """Hang up one way."""

    def pause_reading(self) -> None:
        """Be silent; the fuzzer goes on regardless, as bytes already read would."""

    def resume_reading(self) -> None:
        """Go on."""

    def set_write_buffer_limits(self, high: int | None = None, low: int | None = None) -> None:
        """Take any limits."""


@dataclass(slots=True)
class Pit:
    """A sink that keeps counts, and the tokens to acknowledge."""

    got: list[Message] = field(default_factory=list)
    bad: list[Rejected] = field(default_factory=list)

    def messages(self, batch: Sequence[Message]) -> None:
        self.got += batch

    def rejected(self, item: Rejected) -> None:
        self.bad.append(item)

    def has_room(self) -> bool:
        return True


class Rig:
    """A hub that lives through all inputs, one connection after the other."""

    def __init__(self) -> None:
        self.sink = Pit()
        self.config = ListenerConfig(max_payload_bytes=MAX_PAYLOAD_BYTES, max_connections=50)
        self.limits = Limits(receive_maximum=20, sessions=100, records_per_s=1e9, record_burst=10**9)
        self.hub = Hub(
            self.config,
            self.limits,
            ManualClock(datetime(2024, 3, 1, tzinfo=UTC)),
            self.sink,
            Gate(self.config, self.limits, None),
            Tally("fuzzed"),
        )

    async def feed(self, pieces: Sequence[bytes]) -> tuple[object, ...]:
        """Play one connection; return how the listener behaved, coarsely."""
        sink, hub = self.sink, self.hub
        sink.got.clear()
        sink.bad.clear()
        wire = Wire(hub.loop)
        connection = wire.connection = Connection(hub, "192.0.2.1")
        connection.connection_made(wire)
        for piece in pieces:
            for at in range(0, len(piece), len(hub.buffer)):
                part = piece[at : at + len(hub.buffer)]
                connection.get_buffer(-1)[: len(part)] = part
                connection.buffer_updated(len(part))
        await asyncio.sleep(0)
        hub.acknowledge([m.token for m in sink.got if m.token is not None])
        said = bytes(wire.written)
        kept_bytes = len(connection._decoder._pending)
        wire.abort()
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        self._check(connection, said, kept_bytes, sum(map(len, pieces)))
        words = sink.bad[-1].reason if sink.bad else ""
        return (*dict.fromkeys(kinds(said)), words, min(len(sink.got), 3), connection.version, kept_bytes > 0)

    def _check(self, connection: Connection, said: bytes, kept_bytes: int, given_bytes: int) -> None:
        hub, sink = self.hub, self.sink
        order = kinds(said)
        too_small_for_it = 0 < connection._max_packet_bytes < 64
        if "CONNACK" in order[1:] or (order and order[0] != "CONNACK" and not too_small_for_it):
            raise FoundError(f"answers that do not begin with their one CONNACK: {order}")
        if "BYE" in order[:-1]:
            raise FoundError(f"words after goodbye: {order}")
        for message in sink.got:
            bad_topic = not message.topic or set("+#\0") & set(message.topic)
            if bad_topic or len(message.payload) > MAX_PAYLOAD_BYTES:
                raise FoundError(f"a message that should not have passed: {message}")
        if len(said) > 200 + 20 * given_bytes:
            raise FoundError(f"{given_bytes} bytes drew an answer of {len(said)}")
        if kept_bytes > MAX_PAYLOAD_BYTES + 140_000:
            raise FoundError(f"{kept_bytes} bytes are kept of one client")
        if connection in hub.sockets or connection in hub.clients.values() or hub.sockets:
            raise FoundError("a connection that is gone is still there")
        if len(hub.topics) > 20_000:
            raise FoundError("topics are remembered without end")


def kinds(said: bytes) -> list[str]:
    """Name the packets that a server said; anything else is a finding."""
    found, at = [], 0
    while at < len(said):
        kind, flags = said[at] >> 4, said[at] & 15
        size, shift, at = 0, 0, at + 1
        while True:
            if at >= len(said) or shift > 21:
                raise FoundError(f"an answer breaks off: {said.hex()}")
            size |= (said[at] & 127) << shift
            at, shift = at + 1, shift + 7
            if said[at - 1] < 128:
                break
        at += size
        if flags or kind not in _SERVER_KINDS or at > len(said):
            raise FoundError(f"no server says this: {said.hex()}")
        found.append(_SERVER_KINDS[kind])
    return found


def conversation(rng: random.Random) -> bytearray:
    """Make up a conversation that is mostly right."""
    version = rng.choice([4, 4, 4, 5, 5, 5, 3, 6])
    out = bytearray(
        client.connect(
            version,
            rng.choice(["", "node", "twin", "x" * 130, "é"]),
            clean=rng.random() < 0.6,
            keep_alive_s=rng.choice([0, 1, 60, 65535]),
            user=rng.choice([None, "keel"]),
            password=rng.choice([None, b"tack"]),
            will=rng.choice([None, None, ("w", b"gone"), ("w/#", b""), ("w", b"x" * 400)]),
            will_qos=rng.choice([0, 1, 2]) if rng.random() < 0.3 else 0,
            properties=rng.choice([b"", b"", _some_properties(rng)]),
            will_properties=rng.choice([b"", b"", _some_properties(rng)]),
        )
    )
    for _ in range(rng.randrange(7)):
        out += _packet(rng, version)
    return out


def _some_properties(rng: random.Random) -> bytes:
    """Return a few properties, right or not."""
    known = [
        b"\x11\0\0\x0e\x10", b"\x21\0\1", b"\x21\0\0", b"\x27\0\0\0\x0a", b"\x22\0\x05", b"\x19\1", b"\x17\0",
        b"\x26\0\1k\0\1v", b"\x15\0\1m", b"\x16\0\1d", b"\x18\0\0\0\1", b"\1\1", b"\2\0\0\0\3", b"\3\0\1t",
        b"\x08\0\1r", b"\x09\0\1c", b"\x23\0\1", b"\x0b\1", b"\x1f\0\1r", b"\x12\0\1a", b"\x77",
    ]  # fmt: skip
    return b"".join(rng.choice(known) for _ in range(rng.randrange(1, 5)))


def _packet(rng: random.Random, version: int) -> bytes:
    makers: list[Callable[[], bytes]] = [
        lambda: client.publish(
            rng.choice([b"shed/keel/air", b"t", b"", b"a/+", b"\xff", b"a\0b", b"t" * 400, b"$SYS/x"]),
            rng.randbytes(rng.choice([0, 1, 20, 299, 300, 301, 1000])),
            version=version,
            qos=rng.choice([0, 0, 1, 1, 1, 2, 3]),
            packet_id=rng.choice([0, 1, 2, 65535]),
            duplicate=rng.random() < 0.2,
            retain=rng.random() < 0.2,
            properties=rng.choice([b"", b"", _some_properties(rng)]),
        ),
        lambda: client.publish("t", b"21.5", version=version, qos=1, packet_id=rng.randrange(1, 65536)),
        lambda: client.subscribe(*rng.choice([["a"], ["a/#", "+"], ["$share/g/t"], []]), version=version),
        lambda: client.unsubscribe(*rng.choice([["a"], ["a", "b"], []]), version=version),
        lambda: client.PING * rng.choice([1, 1, 40]),
        lambda: rng.choice([client.DISCONNECT, b"\xe0\x01\x04", b"\xe0\x07\0\5\x11\0\0\0\1"]),
        lambda: rng.choice([b"\x62\x02\0\1", b"\x62\x03\0\1\x92", b"\x40\x02\0\1", b"\xf0\0", b"\0\0"]),
        lambda: client.connect(version),
        lambda: (
            bytes([rng.randrange(256)]) + client.length(rng.choice([0, 1, 127, 128, 70_000, 268_435_455]))
        ),
    ]
    return rng.choice(makers)()


def spoil(rng: random.Random, data: bytearray, others: Sequence[bytes]) -> None:
    """Change an input in place."""
    at = rng.randrange(len(data) + 1)
    span = rng.choice([1, 1, 2, 4, 16])
    match rng.randrange(7):
        case 0 if at < len(data):
            data[at] ^= 1 << rng.randrange(8)
        case 1 if at < len(data):
            data[at] = rng.choice([0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256)])
        case 2:
            data[at : at + span] = b""
        case 3:
            data[at:at] = rng.randbytes(span)
        case 4:
            data[at:at] = data[at : at + 10 * span]
        case 5:
            other = rng.choice(others)
            data[at:] = other[rng.randrange(len(other) + 1) :]
        case _:
            del data[at:]
    del data[LONGEST_INPUT_BYTES:]


def made_up(rng: random.Random, corpus: Sequence[bytes]) -> bytes:
    """Return an input: young or of the corpus, and mostly spoilt."""
    data = conversation(rng) if rng.random() < 0.4 else bytearray(rng.choice(corpus))
    for _ in range(rng.choice([0, 1, 1, 2, 5])):
        spoil(rng, data, corpus)
    return bytes(data)


def cut(rng: random.Random, data: bytes) -> list[bytes]:
    """Fragment an input as a network might."""
    if rng.random() < 0.3:
        return [data]
    if rng.random() < 0.05:
        return [bytes([byte]) for byte in data]
    at = [0, *sorted(rng.randrange(len(data) + 1) for _ in range(rng.randrange(1, 6))), len(data)]
    return [data[a:b] for a, b in pairwise(at)]


async def fuzz(count: int, seed: int, progress_s: float = 0.0) -> dict[str, float]:
    """Play `count` inputs; return what was seen.

    Raises
    ------
    FoundError
        With the input that did it.
    """
    rng, rig = random.Random(seed), Rig()
    corpus: list[bytes] = [bytes(conversation(rng)) for _ in range(20)]
    behaviours: set[tuple[object, ...]] = set()
    slowest_s, began_s, told_s = 0.0, time.monotonic(), time.monotonic()
    settled_mb = 0.0
    for i in range(count):
        data = made_up(rng, corpus)
        pieces = cut(rng, data)
        start_s = time.monotonic()
        try:
            behaviour = await rig.feed(pieces)
        except Exception as error:
            raise FoundError(f"{error!r} at input {i} of seed {seed}: {[p.hex() for p in pieces]}") from error
        took_s = time.monotonic() - start_s
        slowest_s = max(slowest_s, took_s)
        if took_s > SLOWEST_INPUT_S:
            raise FoundError(f"{took_s:.1f} s for input {i} of seed {seed}: {data.hex()}")
        if behaviour not in behaviours:
            behaviours.add(behaviour)
            corpus.append(data)
        if i == count // 10:
            settled_mb = memory_mb()
        if progress_s and time.monotonic() - told_s > progress_s:
            told_s = time.monotonic()
            print(f"{i:>9} inputs, {len(behaviours)} behaviours, {memory_mb():.0f} MB", flush=True)
    growth_mb = memory_mb() - settled_mb
    if growth_mb > MOST_GROWTH_MB:
        raise FoundError(f"memory grew by {growth_mb:.0f} MB")
    return {
        "inputs": count,
        "behaviours": len(behaviours),
        "slowest_ms": slowest_s * 1e3,
        "growth_mb": growth_mb,
        "took_s": time.monotonic() - began_s,
    }


def memory_mb() -> float:
    """Return the most memory this process has had."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def guided(count: int) -> None:
    """Let libFuzzer steer, if atheris is there; ends the process."""
    import atheris  # type: ignore[import-not-found, import-untyped, unused-ignore]

    for owner in (Decoder, Reader, Connection, Hub, Gate, packets):
        for function in list(vars(owner).values()):
            if isinstance(function, FunctionType):
                atheris.instrument_func(function)
    loop = asyncio.new_event_loop()

    async def make() -> Rig:
        return Rig()

    rig = loop.run_until_complete(make())

    def one(data: bytes) -> None:
        if data:
            step = data[0] or len(data)
            pieces = [data[at : at + step] for at in range(1, len(data), step)]
            loop.run_until_complete(rig.feed(pieces))

    rng = random.Random(1)
    folder = Path(tempfile.mkdtemp(prefix="fuzz-listener-"))
    for i in range(300):
        (folder / str(i)).write_bytes(b"\0" + bytes(conversation(rng)))
    atheris.Setup([sys.argv[0], f"-runs={count}", f"-max_len={LONGEST_INPUT_BYTES}", str(folder)], one)
    atheris.Fuzz()


def main() -> None:
    """Fuzz as told, and print what was seen."""
    parser = argparse.ArgumentParser(description="Fuzz the listener.")
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", action="store_true", help="steer by coverage; needs atheris")
    asked = parser.parse_args()
    if asked.guided:
        guided(asked.inputs)
        return
    seen = asyncio.run(fuzz(asked.inputs, asked.seed, progress_s=10.0))
    print(", ".join(f"{name} {value:.4g}" for name, value in seen.items()))


if __name__ == "__main__":
    main()
