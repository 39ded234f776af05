"""One shed at one moment, made in code: two weeks of the simulated tent, three batches, an outlook.

What the README quotes is asked of this shed, so that it can be asked again. The weather and the
readings are invented; resins are the generic cards.
"""

import math
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from collector.clock import EPOCH, to_us
from collector.domain import QUANTITIES, Reading
from collector.journal import Told, open_journal
from collector.journal_book import Batch, Mark
from collector.quality import range_flag
from collector.store.opening import open_store
from dashboards.session import open_session
from forecast.outlook_book import open_outlooks
from forecast.outlook_maker import make_outlook, shed_of
from forecast.paths import Forecast
from hardware.tent.node import sensor_entries
from hardware.tent.parameters import Habits, Heater, Tent
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.simulation import Simulation

SEED = 7
NOON = datetime(2026, 4, 22, 12, 5, tzinfo=UTC)
EVENING = datetime(2026, 4, 22, 19, 30, tzinfo=UTC)
FLAME_OUT = datetime(2026, 4, 22, 21, 0, tzinfo=UTC)
MORNING = datetime(2026, 4, 23, 6, 0, tzinfo=UTC)
TENT = Tent(heater=Heater(bottle_kg=11.0), habits=Habits(bottle_reserve_kg=0.5))
PAST = timedelta(days=4)
STEP_S = 60
_AHEAD, _AHEAD_STEP_S = timedelta(hours=72), 600
# the clock stands still at a moment of the scenario; all else is the command as it is installed
_COMMAND = (
    "import sys, datetime; from collector.clock import SystemClock; "
    "at = datetime.datetime.fromisoformat(sys.argv.pop(1)); SystemClock.now = lambda self: at; "
    "from dashboards.cli import main; main()"
)
_BARE = {"NO_COLOR": "1", "TERM": "dumb", "COLUMNS": "80", "LANG": "C.UTF-8", "LC_ALL": "C.UTF-8"}


def make_shed(folder: Path, *, more: str = "") -> Path:
    """Keep the simulated tent's days in a store in `folder`; return the configuration's file.

    The flame goes out in the night after `NOON`; of the readings after a moment no command knows.
    """
    config = folder / "layday.toml"
    lines = [
        '[shed]\nname = "tunnel"\ntimezone = "Europe/Dublin"\n',
        '[store]\npath = "layday.sqlite"\n',
        more,
    ]
    for entry in sensor_entries():
        lines += ["[[sensor]]", *(f'{key} = "{value}"' for key, value in entry.items())]
    config.write_text("\n".join(lines), encoding="utf-8")
    out = Event(Kind.HEATER_OUT, FLAME_OUT.timestamp(), MORNING.timestamp())
    past = Simulation(TENT, NOON - PAST, SEED, Scenario((out,), 0.0)).record(MORNING, STEP_S)
    readings = [
        Reading(name, at, value, at, range_flag(QUANTITIES[name.rpartition(".")[2]], value))
        for name, values in past.reported.items()
        for at, value in zip(
            (EPOCH + timedelta(seconds=s) for s in past.time_s.tolist()), values.tolist(), strict=True
        )
        if not math.isnan(value)
    ]
    with closing(open_store(folder / "layday.sqlite")) as store:
        store.add(readings)
    return config


def lay(folder: Path, batch: Batch, at: datetime, marks: Mapping[Mark, datetime] | None = None) -> None:
    """Enter a batch, and what was seen of it."""
    journal = open_journal(folder / "layday.journal.sqlite")
    assert journal is not None
    with closing(journal):
        key = journal.start(batch, Told(at, at))
        for mark, seen_at in (marks or {}).items():
            journal.mark(key, mark, Told(seen_at, seen_at))


def keep_outlook(config: Path, at: datetime) -> None:
    """Keep an outlook of a moment, on paths that fan out round the simulated tent's own days to come."""
    session = open_session(str(config))
    ahead = Simulation(TENT, at - timedelta(hours=1), SEED, Scenario((), 0.0)).record(
        at + _AHEAD, _AHEAD_STEP_S
    )
    times_us = ahead.time_s * 1_000_000
    late = times_us > to_us(at)
    spread = (
        np.linspace(-1.0, 1.0, 60)[:, None] * np.sqrt(np.arange(1.0, late.sum() + 1.0) / late.sum())[None, :]
    )
    paths = {}
    for bay in ("keel", "sheer"):
        for quantity, widest in (("air_c", 1.5), ("part_c", 1.5), ("humidity_pct", -6.0)):
            likely = ahead.truth[f"{bay}.{quantity}"][late]
            paths[bay, quantity] = likely[None, :] + widest * spread
    journal, outlooks = open_journal(session.journal_path), open_outlooks(session.outlook_path)
    assert journal is not None
    assert outlooks is not None
    shed = shed_of(session.config, session.card_folders)
    with closing(session.open_store(read_only=True)) as store, closing(journal), closing(outlooks):
        found = Forecast(at, times_us[late], paths)
        outlooks.keep(make_outlook(store, shed, at, forecast=found, book=journal.book()))


def ask(
    config: Path, at: datetime, words: Sequence[str], env: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """Run a real `layday` command whose clock stands still at a moment."""
    return subprocess.run(
        [sys.executable, "-c", _COMMAND, at.isoformat(), "--config", str(config), *words],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env={**os.environ, **_BARE, **(env or {})},
    )
