"""A process that writes numbered readings to a store and says after each commit how many are in.

Run as ``python -m tests.collector.store.writer PATH FIRST``, to be killed.
"""

import sys
from collections.abc import Iterator
from datetime import timedelta
from itertools import count

from collector.domain import Reading
from collector.store.opening import open_store
from tests.collector.store.examples import START

BATCH = 40
SENSORS = ("keel.air_c", "keel.humidity_pct", "keel.part_c", "sheer.air_c", "sheer.part_c")


def numbered(number: int) -> Reading:
    """Return the reading of that number: five sensors in turn, a second apart, the number as its value."""
    at = START + timedelta(seconds=number // len(SENSORS))
    return Reading(SENSORS[number % len(SENSORS)], at, float(number), at)


def batches(first: int) -> Iterator[list[Reading]]:
    """Yield readings from the number `first` on, for ever."""
    for low in count(first, BATCH):
        yield [numbered(number) for number in range(low, low + BATCH)]


def main(path: str, first: int) -> None:
    """Write until killed."""
    store = open_store(path)
    print("open", flush=True)
    for batch in batches(first):
        added = store.add(batch)
        if added.conflicting:
            raise AssertionError(f"{added} at {batch[0]}")
        print(round(batch[-1].value) + 1, flush=True)


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
