"""Fuzz every reader of payloads: ``python -m tests.fuzz.payloads --inputs 1000000 [--seed 1]``.

Messages are the pairs of ``tests/vectors/payloads``, spoilt in many ways, under every configuration
there; inputs that gave a reason or a number of readings not seen before are kept and spoilt
further. ``--guided`` lets libFuzzer steer by code coverage instead (``pip install atheris``).
Found is: an exception, an input that takes too long, memory that grows, a reading that no store
would take, or state that grows without end.
"""

import argparse
import json
import math
import random
import re
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import FunctionType

from collector import payload, values
from collector.feeds import births, feed, fields, names, senml, sparkplug, words
from collector.payload import Decoded, Routes, decode
from collector.source import Message
from collector.store.rows import named
from tests.collector.test_payload_pairs import CASES, FOLDER, expected, routes

NOW = datetime(2026, 4, 3, 2, 30, tzinfo=UTC)
LONGEST_INPUT_BYTES = 4_000
SLOWEST_INPUT_S = 2.0
MOST_GROWTH_MB = 60
MOST_KEPT = 4_000
MOST_REASONS = 21
_PIECES = (
    b"null", b"true", b"NaN", b"1e308", b"-1e-308", b"9" * 40, b'"', b"{", b"[", b"]", b"}", b",", b":",
    b"\\u0000", b"\\ud800", b"\xff", b"\x00", b"1775183398", b"268435456", b'"n":"temp"', b'"v":1',
    b'"bn":"a"', b'"bt":1e18', b'"bver":11', b'"x_":1', b'"u":"Cel"', b"\xc2\xb0F", b" %", b"-0", b"[[[[",
    b'{"a":', b"\x12\x00", b"\x10\x01",
    b"\x0a\xff\xff\xff\xff\x0f", b"\x38\x01", b"\x65\x00\x00\xc0\x7f", b"\x5a\x00",
    b"\x18\xff\xff\xff\xff\xff\x7f",
)  # fmt: skip
_QUOTED = re.compile(r"(['\"]).*\1|\d+", re.DOTALL)
_LEVELS = (
    "", "keel", "Bay-2", "temp", "rh", "$SYS", "a" * 300, "spBv1.0", "NBIRTH", "NDATA", "DBIRTH", "DDATA",
    "NDEATH", "DDEATH", "NCMD", "STATE", "é", "{place}",
)  # fmt: skip


class FoundError(AssertionError):
    """A reader did what it must never do; the text has the input."""


class Rig:
    """All the configurations of the pairs, which live through all inputs."""

    def __init__(self) -> None:
        self.names = sorted({expected(case)["config"] for case in CASES})
        self.routes: dict[str, Routes] = {name: routes(name) for name in self.names}

    def feed(self, name: str, message: Message) -> tuple[object, ...]:
        """Read a message; return how that went, coarsely."""
        began_s = time.process_time()
        by = self.routes[name]
        result = decode(message, by, "fuzzer")
        took_s = time.process_time() - began_s
        if took_s > SLOWEST_INPUT_S:
            raise FoundError(f"{took_s:.1f} s for {message}")
        self._check(result, by, message)
        text = by.births.changed_text()
        if text is not None:
            by.births.restore(text)
            if len(text) > 5_000_000:
                self.routes[name] = routes(name)  # full, as its own bounds allow: begin anew
        reasons = {_QUOTED.sub("", item.reason) for item in result.rejected}
        return (name, frozenset(reasons), min(len(result.readings), 3), result.by_arrival)

    def _check(self, result: Decoded, by: Routes, message: Message) -> None:
        named(result.readings)  # what a store would refuse raises here, and would hold up a whole batch
        if len(result.rejected) > MOST_REASONS:
            raise FoundError(f"{len(result.rejected)} reasons for {message}")
        for reading in result.readings:
            if not math.isfinite(reading.value) or not re.fullmatch(
                r"[a-z][a-z0-9_]*\.[a-z0-9_]+", reading.sensor
            ):
                raise FoundError(f"{reading} of {message}")
            if message.retained and reading.at == message.received_at and result.by_arrival:
                raise FoundError(f"{reading} of a retained message: {message}")
        json.dumps([item.reason for item in result.rejected]).encode()
        if len(by._found) > 20_000:
            raise FoundError("topics are remembered without end")


def seeds() -> list[tuple[str, str, bytes]]:
    """Return every pair's configuration, topic and payload, but those made to be long."""
    pairs = [(expected(case), (FOLDER / f"{case}.in").read_bytes()) for case in CASES]
    return [(pair["config"], pair["topic"], data) for pair, data in pairs if len(data) < LONGEST_INPUT_BYTES]


def spoil(rng: random.Random, data: bytearray, others: list[bytes]) -> None:
    """Change a payload in a few places."""
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(7):
            case 0 if data:
                data[at % len(data)] ^= 1 << rng.randrange(8)
            case 1:
                del data[at : at + rng.choice((1, 2, 8, 40))]
            case 2:
                data[at:at] = rng.choice(_PIECES)
            case 3:
                data[at : at + rng.randrange(6)] = rng.choice(_PIECES)
            case 4:
                other = rng.choice(others)
                start = rng.randrange(len(other) + 1)
                data[at:at] = other[start : start + rng.randrange(60)]
            case 5:
                data[at:at] = data[at : at + rng.randrange(60)] * rng.choice((1, 2, 20))
            case _:
                data[at:at] = bytes(rng.randrange(256) for _ in range(rng.randrange(5)))
    del data[LONGEST_INPUT_BYTES:]


def inputs(
    rng: random.Random, kept: list[tuple[str, str, bytes]], configs: list[str]
) -> Iterator[tuple[str, Message]]:
    """Yield messages without end, made from the pairs and from those kept."""
    first = list(kept)
    while True:
        name, topic, original = rng.choice(first if rng.random() < 0.5 else kept)
        if rng.random() < 0.1:
            name = rng.choice(configs)
        if rng.random() < 0.1:
            levels = topic.split("/")
            levels[rng.randrange(len(levels))] = rng.choice(_LEVELS)
            topic = "/".join(levels)
        data = bytearray(original)
        if rng.random() < 0.8:
            spoil(rng, data, [rng.choice(kept)[2] for _ in range(2)])
        yield name, Message(topic, bytes(data), NOW, retained=rng.random() < 0.1)


def fuzz(count: int, seed: int) -> dict[str, float]:
    """Feed `count` inputs.

    Raises
    ------
    FoundError
        With the input that a reader failed on.
    """
    rng, rig, kept = random.Random(seed), Rig(), seeds()
    seen: set[tuple[object, ...]] = set()
    slowest_s = began_mb = readings = 0.0
    for number, (name, message) in enumerate(inputs(rng, kept, rig.names)):
        if number >= count:
            break
        if number == count // 2:
            began_mb = _peak_mb()
        began_s = time.process_time()
        try:
            behaviour = rig.feed(name, message)
        except FoundError:
            raise
        except Exception as error:
            raise FoundError(f"{error!r} by {name}: {message}") from error
        slowest_s = max(slowest_s, time.process_time() - began_s)
        if behaviour not in seen:
            seen.add(behaviour)
            entry = (name, message.topic, message.payload)
            if len(kept) < MOST_KEPT:
                kept.append(entry)
            else:
                kept[rng.randrange(len(kept))] = entry
        readings += bool(behaviour[2])
    grown_mb = _peak_mb() - began_mb
    if grown_mb > MOST_GROWTH_MB:
        raise FoundError(f"memory grew by {grown_mb:.0f} MB in the second half")
    return {
        "inputs": count,
        "behaviours": len(seen),
        "gave readings": readings,
        "slowest_s": slowest_s,
        "grown_mb": grown_mb,
    }


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def guided(count: int, seed: int) -> None:
    """Let libFuzzer choose by coverage of layday's own readers; it ends the process itself."""
    import atheris  # type: ignore[import-not-found, import-untyped, unused-ignore]

    for owner in (
        payload,
        values,
        births.Births,
        feed.Feed,
        feed,
        fields,
        names.Namer,
        senml,
        sparkplug,
        words,
    ):
        for function in list(vars(owner).values()):
            if isinstance(function, FunctionType) and function.__module__.startswith("collector."):
                atheris.instrument_func(function)
    rig = Rig()
    some = seeds()

    def one(data: bytes) -> None:
        if len(data) < 2:
            return
        name, topic, _ = some[data[0] % len(some)]
        rig.feed(name, Message(topic, data[2:], NOW, retained=data[1] % 16 == 1))

    corpus = Path(tempfile.mkdtemp(prefix="fuzz-payloads-"))
    for number, (_, _, data) in enumerate(some):
        (corpus / str(number)).write_bytes(bytes([number, 0]) + data)
    options = [f"-runs={count}", f"-seed={seed}", f"-max_len={LONGEST_INPUT_BYTES}", str(corpus)]
    atheris.Setup([sys.argv[0], *options], one)
    atheris.Fuzz()


def main() -> None:
    """Run the long form."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--inputs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--guided", action="store_true")
    given = parser.parse_args()
    if given.guided:
        guided(given.inputs, given.seed)
        return
    began_s = time.process_time()
    found = fuzz(given.inputs, given.seed)
    print(", ".join(f"{name} {value:g}" for name, value in found.items()))
    print(f"nothing found in {time.process_time() - began_s:.0f} s of the processor's time")


if __name__ == "__main__":
    main()
