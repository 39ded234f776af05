"""A process that writes numbered readings, ten minutes apart, and moves them into chunks; to be killed.

Run as ``python -m tests.collector.store.compacting_writer PATH FIRST``.
"""

import sys
from datetime import timedelta

from collector.domain import Reading
from collector.store.opening import open_store
from tests.collector.store.examples import START
from tests.collector.store.writer import BATCH, SENSORS


def numbered(number: int) -> Reading:
    """Return the reading of that number; each eleventh comes a day late."""
    steps = number // len(SENSORS) - (144 if number % 11 == 0 else 0)
    at = START + timedelta(days=1, minutes=10 * steps, microseconds=number)
    return Reading(SENSORS[number % len(SENSORS)], at, float(number), at + timedelta(seconds=number % 7))


def main(path: str, first: int) -> None:
    """Write, print the count after each commit, compact after each sixth."""
    store = open_store(path)
    print("open", flush=True)
    low = first
    while True:
        batch = [numbered(number) for number in range(low, low + BATCH)]
        if store.add(batch).conflicting:
            raise AssertionError(f"conflict in the batch from {low}")
        low += BATCH
        print(low, flush=True)
        if low // BATCH % 6 == 0:
            store.compact(batch[-1].at, rest=0.0)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
