"""A shed to watch, whose clock stands still: readings like a sinus of the day, a cure, and an outlook.

The sinus and the hour by which a cure is wanted go by the scene's own *now*, so that a scene on the machine's
clock says the same at every hour of the day.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from collector.clock import Clock, ManualClock, to_us
from collector.config import Config, load_config
from collector.domain import Reading
from collector.journal import Told, open_journal
from collector.journal_book import Batch
from collector.store.opening import open_store
from dashboards.session import Session
from forecast.outlook_book import open_outlooks
from forecast.outlook_maker import make_outlook, shed_of
from forecast.paths import Forecast

AT = datetime(2026, 4, 2, 19, 4, tzinfo=UTC)
BATCH = Batch("keel", "hull", "generic-vinyl-ester", 1.75, "A7")


@dataclass(frozen=True, slots=True)
class Scene:
    """How warm it is at a bay's middle of the day [°C], by how much it swings, and how damp it is [%]."""

    keel_c: float = 20.0
    sheer_c: float = 18.5
    swing_k: float = 1.0
    humidity_pct: float = 55.0


GOOD_DAY = Scene()
COLD_NIGHT = Scene(keel_c=15.0, sheer_c=12.0, swing_k=4.0, humidity_pct=78.0)


def watched(
    folder: Path, scene: Scene = GOOD_DAY, *, cure_h: float | None = 2.0, clock: Clock | None = None
) -> Session:
    """Return a session on a shed in `folder`, with a day of readings and a cure laid so long ago."""
    clock = clock or ManualClock(AT)
    session = Session(config_in(folder, clock.now()), folder / "layday.toml", clock=clock)
    now = session.clock.now()
    store = open_store(session.store_path)
    moments = [now - timedelta(minutes=minutes) for minutes in range(0, 24 * 60, 10)]
    store.add(
        [Reading(name, at, value, at) for at in moments for name, value in readings(scene, at, now).items()]
    )
    if cure_h is not None:
        lay(session, cure_h)
    keep_outlook(session, scene)
    store.close()
    return session


def config_in(folder: Path, now: datetime) -> Config:
    """Write a configuration of two bays into `folder`, and read it; wanted in 12 h (7:00 for `AT`)."""
    lines = ["[shed]", 'name = "tunnel"', "[store]", 'path = "layday.sqlite"']
    lines += ["[cure]", f'ready_by = "{now + timedelta(hours=11, minutes=56):%H:%M}"']
    for bay in ("keel", "sheer"):
        for quantity in ("air_c", "humidity_pct", "part_c"):
            lines += ["[[sensor]]", f'place = "{bay}"', f'quantity = "{quantity}"']
            lines.append(f'topic = "tunnel/{bay}/{quantity}"')
    file = folder / "layday.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    return load_config(file)


def readings(scene: Scene, at: datetime, now: datetime) -> dict[str, float]:
    """Return what the sensors say at a moment."""
    wave = float(_wave(np.array([to_us(at)]), now)[0])
    found = {}
    for bay, middle_c in (("keel", scene.keel_c), ("sheer", scene.sheer_c)):
        found[f"{bay}.part_c"] = round(middle_c + scene.swing_k * wave, 2)
        found[f"{bay}.air_c"] = round(middle_c + 1.0 + 1.2 * scene.swing_k * wave, 2)
        found[f"{bay}.humidity_pct"] = round(scene.humidity_pct - 4.0 * wave, 1)
    return found


def lay(session: Session, cure_h: float) -> None:
    """Enter a batch that was laid so many hours ago."""
    journal = open_journal(session.journal_path)
    assert journal is not None
    laid_at = session.clock.now() - timedelta(hours=cure_h)
    journal.start(BATCH, Told(laid_at, laid_at))
    journal.close()


def keep_outlook(session: Session, scene: Scene) -> None:
    """Make an outlook on paths that follow the same sinus, fanning out, and keep it."""
    at = session.clock.now()
    step_us = 600_000_000
    times_us = to_us(at) // step_us * step_us + step_us * np.arange(1, 433, dtype=np.int64)
    fan = np.linspace(-1.0, 1.0, 200)[:, None] * np.sqrt(np.linspace(0.0, 2.0, 432))[None, :]
    wave = _wave(times_us, at)[None, :]
    paths = {}
    for bay, middle_c in (("keel", scene.keel_c), ("sheer", scene.sheer_c)):
        paths[bay, "part_c"] = middle_c + scene.swing_k * wave + fan
        paths[bay, "air_c"] = middle_c + 1.0 + 1.2 * scene.swing_k * wave + fan
        paths[bay, "humidity_pct"] = scene.humidity_pct - 4.0 * wave + 2.0 * fan
    forecast = Forecast(at, times_us, paths)
    store = session.open_store(read_only=True)
    journal = open_journal(session.journal_path)
    outlooks = open_outlooks(session.outlook_path)
    assert journal is not None
    assert outlooks is not None
    shed = shed_of(session.config, session.card_folders)
    outlooks.keep(make_outlook(store, shed, at, forecast=forecast, book=journal.book()))
    for file in (store, journal, outlooks):
        file.close()


def _wave(
    times_us: "np.ndarray[tuple[int], np.dtype[np.int64]]", now: datetime
) -> "np.ndarray[tuple[int], np.dtype[np.float64]]":
    """Warmest 4:04 h before now (three in the afternoon for `AT`) and coldest 12 h after that."""
    hours = (times_us - to_us(now)) / 3.6e9
    return np.cos((hours + 4.0 + 4.0 / 60.0) / 24.0 * 2.0 * np.pi)
