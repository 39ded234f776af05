"""Let the daemon work through trouble for long: ``python -m tests.soak [--minutes 60] [--rate 1000]``.

Two sensors, one on the listener and one behind a real mosquitto, publish together `rate` messages a
second. One message in 50 is malformed; each minute the sensors' clocks jump by hours, the daemon's clock
jumps by one, and the broker is restarted or hangs for a while. At the end each reading must be there
once, and what the daemon holds (memory, threads, files) must be what it held when it had warmed up.
"""

import argparse
import os
import signal
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from statistics import fmean, median

from collector.clock import SystemClock, to_us
from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.faults.support import Sensor, connected, daemon_word, installation, running
from tests.mosquitto import Mosquitto
from tests.proc import Taken, taken

BAD_EACH = 50
BAD = (
    b"",
    b"\xff\xfe",
    b'{"t": 1, "air_c": 20}',
    b'{"air_c": 20}',
    b'{"t": 1775000000, "air_c": null}',
    b"{",
)
MOST_DRIFT = 0.10
_PLACES = ("keel", "sheer")
_WARM = 0.25  # of the time; caches fill, and the first windows close
_FROZEN_S = 3.0


@dataclass(frozen=True)
class Plan:
    """What a sensor sends: `number` by number, in step with time but for its clock's jumps."""

    start_ms: int
    rate_hz: float

    def at_ms(self, number: int) -> int:
        """Return the device time; each minute the clock is another odd number of hours off."""
        minute = int(number / self.rate_hz / 60)
        jump_h = (2 * minute + 1) * (1 if minute % 2 else -1)
        return self.start_ms + int(number * 1000 / self.rate_hz) + jump_h * 3_600_000

    def payload(self, number: int) -> bytes:
        """Return the message; one in 50 is malformed."""
        if number % BAD_EACH == 0:
            return BAD[number // BAD_EACH % len(BAD)]
        return b'{"t": %d, "air_c": %r}' % (self.at_ms(number), number % 1000 / 100)

    def expected(self, count: int) -> dict[int, float]:
        """Return what must be kept of the first `count` messages, by microsecond."""
        return {self.at_ms(n) * 1000: n % 1000 / 100 for n in range(count) if n % BAD_EACH}


@dataclass
class Outcome:
    """What was seen, second by second, and what is left."""

    seen: list[Taken] = field(default_factory=list)
    made: int = 0
    lost: int = 0
    wrong: int = 0

    def drift(self) -> float:
        """Return by which share memory in the last third exceeds memory once warm."""
        seen = [one.memory_mb for one in self.seen]
        third = len(seen) // 3
        warm = int(len(seen) * _WARM)
        return fmean(seen[-third:]) / fmean(seen[warm : warm + third]) - 1

    def leaked(self) -> tuple[float, float]:
        """Return by how many threads and files the last third exceeds the time once warm."""
        third, warm = len(self.seen) // 3, int(len(self.seen) * _WARM)

        def more(what: Callable[[Taken], int]) -> float:
            return median(map(what, self.seen[-third:])) - median(map(what, self.seen[warm : warm + third]))

        return more(lambda one: one.threads), more(lambda one: one.files)


def soak(folder: Path, minutes: float, rate_hz: float, say: Callable[[str], None]) -> Outcome:
    """Run all of it in `folder`; `say` gets a line a minute."""
    with Mosquitto(folder / "broker", verbose=False) as broker:
        layday = _installation(folder, broker.port)
        plan = Plan(to_us(SystemClock().now()) // 1000, rate_hz / 2)
        sensors = [
            Sensor(port, rate_hz / 2, topic=f"tunnel/{place}", payload=plan.payload)
            for place, port in zip(_PLACES, (layday.port, broker.port), strict=True)
        ]
        with running(layday):
            connected(layday)
            try:
                for sensor in sensors:
                    sensor.start()
                outcome = _watch(layday, broker, sensors, minutes, say)
                counts = [sensor.finish() for sensor in sensors]
                for place, count in zip(_PLACES, counts, strict=True):
                    _judge(layday, place, plan.expected(count), outcome)
            finally:
                for sensor in sensors:
                    sensor.stop()
    outcome.made = sum(counts)
    return outcome


def _installation(folder: Path, broker_port: int) -> Layday:
    """Return a layday with both sources."""
    lines = "".join(sensor_lines(f"tunnel/{place}", ["air_c"], place) for place in _PLACES)
    layday = installation(
        folder / "layday", sensors=lines, broker_port=broker_port, help_by="hurry,tidy,jumpy"
    )
    text = layday.config.read_text().replace("enabled = false", f"port = {layday.port}")
    layday.config.write_text(text)
    return layday


def _watch(
    layday: Layday, broker: Mosquitto, sensors: list[Sensor], minutes: float, say: Callable[[str], None]
) -> Outcome:
    """Make trouble half-way through each minute, and look once a second."""
    outcome = Outcome()
    say(f"{'min':>4}{'made':>10}{'kept':>10}{'aside':>8}{'MB':>7}{'threads':>8}{'files':>6}{'store MB':>9}")
    began_s = time.monotonic()
    for second in range(int(minutes * 60)):
        time.sleep(max(0.0, began_s + second + 1 - time.monotonic()))
        outcome.seen.append(taken(layday.pid))
        if second % 60 == 30:
            _trouble(layday, broker, second // 60)
        if second % 60 == 59:
            say(_line(second // 60 + 1, layday, sensors, outcome.seen[-60:]))
    return outcome


def _trouble(layday: Layday, broker: Mosquitto, minute: int) -> None:
    """Let the daemon's clock jump, and the broker restart or hang."""
    os.kill(layday.pid, signal.SIGUSR1 if minute % 2 else signal.SIGUSR2)
    if minute % 2:
        broker.freeze()
        time.sleep(_FROZEN_S)
        broker.thaw()
    else:
        broker.stop()
        broker.start()


def _line(minute: int, layday: Layday, sensors: list[Sensor], seen: list[Taken]) -> str:
    intake = daemon_word(layday)["intake"]
    store_mb = sum(part.stat().st_size for part in layday.folder.glob("layday.sqlite*")) / 1e6
    return (
        f"{minute:4}{sum(s.made for s in sensors):10,}{intake['kept_count']:10,}{intake['rejected_count']:8,}"
        f"{fmean(one.memory_mb for one in seen):7.1f}{seen[-1].threads:8}{seen[-1].files:6}{store_mb:9.1f}"
    )


def _judge(layday: Layday, place: str, expected: dict[int, float], outcome: Outcome) -> None:
    """Compare what is kept with what was acknowledged."""
    sensor = f"{place}.air_c"
    until(lambda: len(layday.values(sensor)) >= len(expected), f"all readings of {place}", 60.0)
    kept = layday.values(sensor)
    outcome.lost += len(expected.keys() - kept.keys())
    outcome.wrong += sum(expected.get(at) != value for at, value in kept.items())


def main() -> None:
    """Print a line a minute, then the verdict."""
    parser = argparse.ArgumentParser(description="Let the daemon work through trouble for long.")
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--rate", type=float, default=1000.0)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        outcome = soak(Path(name), asked.minutes, asked.rate, lambda line: print(line, flush=True))
    threads, files = outcome.leaked()
    span = timedelta(minutes=asked.minutes)
    print(
        f"{span} at {asked.rate:g} messages/s: {outcome.made:,} messages, {outcome.lost} readings lost,"
        f" {outcome.wrong} wrong, memory {outcome.drift():+.1%}, threads {threads:+g}, files {files:+g}"
    )
    assert (outcome.lost, outcome.wrong) == (0, 0)
    assert outcome.drift() < MOST_DRIFT
    assert threads <= 0
    assert files <= 0


if __name__ == "__main__":
    main()
