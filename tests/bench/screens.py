"""What the screens cost: commands that answer once, and `layday watch` on a real terminal.

Run ``python -m tests.bench.screens``. The shed has a day of readings, a cure and an outlook.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from collector.clock import SystemClock
from tests.dashboards.watching import watched
from tests.end_to_end.layday import COMMAND, until
from tests.end_to_end.test_watch import SIZES, UTF8, Terminal, is_whole, line_of
from tests.proc import taken

ONCE = (
    ("now",),
    ("tonight",),
    ("windows",),
    ("cure", "when", "k1", "ply"),
    ("mix", "-c", "generic-vinyl-ester", "-t", "20C", "-w", "35min"),
    ("check",),
)
_ROUNDS = 5
_SETTLE_S = 5.0


def once(folder: Path, words: tuple[str, ...]) -> tuple[float, float]:
    """Return wall and processor time of one command [s], the least of some rounds."""
    took, used = [], []
    for _ in range(_ROUNDS):
        began_s, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
        command = [*COMMAND, "--config", str(folder / "layday.toml"), *words]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        took.append(time.monotonic() - began_s)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        used.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        if done.returncode in {1, 2, 3} or done.stderr:
            sys.exit(f"layday {' '.join(words)} ended with {done.returncode}: {done.stderr}")
    return min(took), min(used)


def live(folder: Path, size: tuple[int, int], seconds: float) -> None:
    """Print what the live screen takes to its first whole picture, and while it is left open."""
    terminal = Terminal(folder, size)
    try:
        began_s = time.monotonic()
        terminal.type(line_of(folder, UTF8))
        until(lambda: is_whole(terminal.shown()), "the screen is painted", 60.0)
        painted_s = time.monotonic() - began_s
        pid = terminal.pid()
        assert pid is not None
        first_s = taken(pid).cpu_s
        time.sleep(_SETTLE_S)
        before, began_s = taken(pid), time.monotonic()
        time.sleep(seconds)
        now = taken(pid)
        busy = 100.0 * (now.cpu_s - before.cpu_s) / (time.monotonic() - began_s)
    finally:
        terminal.close()
    print(
        f"layday watch, {size[0]:>3}x{size[1]}   whole after {painted_s:5.2f} s ({first_s:.2f} s of it busy),"
        f" {now.memory_mb:.0f} MB with what is shared, {busy:.2f} % of a core",
        flush=True,
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=30.0, help="how long each live screen is left open")
    asked = parser.parse_args()
    print(f"{os.cpu_count()} processors; least of {_ROUNDS} runs, wall and processor time")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        watched(folder, clock=SystemClock())
        for words in ONCE:
            took_s, used_s = once(folder, words)
            print(f"layday {' '.join(words):46} {took_s:6.2f} s {used_s:6.2f} s", flush=True)
        for size in SIZES:
            live(folder, size, asked.seconds)


if __name__ == "__main__":
    main()
