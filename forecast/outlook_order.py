"""What the daemon tells the process that makes outlooks: where everything is, and what time it is.

Tuples, not dataclasses, which load a megabyte: the phone page's process reads orders too.
"""

import json
import time
from datetime import datetime, timedelta
from pathlib import Path
from typing import NamedTuple

from collector.clock import Clock, QuickClock, SystemClock


class Order(NamedTuple):
    """Files that an outlook is made from and kept in, and the clock to go by.

    `config_file` is empty where every default holds. `clock_at`, `clock_monotonic_s` [s, the
    machine's monotonic clock] and `speed` carry a quickened clock over; the demo has one.
    `log_level` is the daemon's.
    """

    config_file: str
    store_file: str
    journal_file: str
    outlook_file: str
    card_folders: tuple[str, ...]
    clock_at: str
    clock_monotonic_s: float
    speed: float
    log_level: int

    def line(self) -> bytes:
        """Return this order as one line of JSON."""
        return json.dumps(self._asdict()).encode() + b"\n"

    def clock(self) -> Clock:
        """Return the clock to go by."""
        if self.speed == 1.0:
            return SystemClock()
        since = timedelta(seconds=(time.monotonic() - self.clock_monotonic_s) * self.speed)
        return QuickClock(datetime.fromisoformat(self.clock_at) + since, self.speed)


class Files(NamedTuple):
    """Where things are, as the command line knows it."""

    config: Path | None
    store: Path
    journal: Path
    outlook: Path
    card_folders: tuple[Path, ...]


def order_of(files: Files, clock: Clock) -> Order:
    """Return the order for a process that starts now."""
    import logging  # who only reads orders does without

    real_s = clock.real_seconds(timedelta(seconds=1))
    return Order(
        config_file=str(files.config or ""),
        store_file=str(files.store),
        journal_file=str(files.journal),
        outlook_file=str(files.outlook),
        card_folders=tuple(str(folder) for folder in files.card_folders),
        clock_at=clock.now().isoformat(),
        clock_monotonic_s=time.monotonic(),
        speed=1.0 / real_s if real_s else 1.0,
        log_level=logging.getLogger().getEffectiveLevel(),
    )


def read_order(line: bytes) -> Order:
    """Return the order that a line holds.

    Raises
    ------
    ValueError, TypeError
        If it is none.
    """
    raw = json.loads(line)
    return Order(**(raw | {"card_folders": tuple(raw["card_folders"])}))
