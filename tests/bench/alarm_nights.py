"""Nights for the alarms' bench: sheds, the hours their batches are wanted at, and the outlooks of each night.

Making outlooks takes minutes of processor, judging them takes none: they are made in blocks of ten nights,
each by a forecaster of its own (so that it comes to the same however many processes share the work), and kept
in ``build/bench-alarms`` by what they were made of and from.
"""

import hashlib
import inspect
import pickle
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from unittest.mock import patch

import numpy as np

from collector.clock import from_us, to_us
from collector.config import Config
from collector.domain import Reading
from collector.journal_book import Batch, Book, Cure
from collector.store.memory import MemoryStore
from forecast import tonight
from forecast.card import Card, Stage
from forecast.card_rates import cure_rates
from forecast.forecaster import Forecaster
from forecast.outlook import Outlook
from forecast.outlook_maker import FORECAST_STALE, make_outlook, shed_of
from forecast.outlook_maker import Shed as Made
from forecast.pace import CureRates
from forecast.past import Array, History, Times, read_csv, thin
from forecast.paths import Forecast
from forecast.planned_jobs import Planned, terms_of
from forecast.time_surface import TimeSurface
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Event, Scenario
from hardware.tent.scenario import Kind as Breaks
from hardware.tent.simulation import Simulation

ROOT = Path(__file__).parent.parent.parent
DATA = ROOT / "tests" / "data"
FOLDER = Path("build") / "bench-alarms"
LOOK = timedelta(minutes=30)
REFRESH = timedelta(hours=3)
"""layday makes a forecast every few minutes, and draws on none of over two hours; this spares processor."""
WARM_UP = timedelta(days=14)
LONGEST = timedelta(hours=44)
"""How long a batch is followed; one that takes longer counts as this."""
WANTED_QUANTILE = 0.85
BEFORE, KNOWN = 14, 2
"""The hour wanted is by the batches laid 14 to 2 days before: yesterday's may not be there yet."""
BLOCK = 10
CARD = "generic-vinyl-ester"
FLAME_OUT_ODDS, FLAME_OUT = 0.125, timedelta(hours=8)


@dataclass(frozen=True)
class Shed:
    """A long stretch of one bay's readings; times in microseconds, columns by name."""

    name: str
    bay: str
    times_us: Times
    columns: Mapping[str, Array]

    def days(self, laid_h: float) -> list[datetime]:
        """Return a moment of each day at which a batch could be laid."""
        first, last = from_us(int(self.times_us[0])), from_us(int(self.times_us[-1]))
        day = first.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1, hours=laid_h)
        return [day + timedelta(days=i) for i in range((last - day).days - 1)]

    def store(self, start: datetime, end: datetime) -> MemoryStore:
        """Return a store of the readings from `start` on and before `end`."""
        inside = (self.times_us >= to_us(start)) & (self.times_us < to_us(end))
        store = MemoryStore()
        for name, values in self.columns.items():
            store.add(
                [
                    Reading(name, from_us(int(at)), float(value), from_us(int(at)))
                    for at, value in zip(self.times_us[inside], values[inside], strict=True)
                    if np.isfinite(value)
                ]
            )
        return store


@dataclass(frozen=True)
class Span:
    """A night: when its batch is laid, and for when it is wanted."""

    laid_at: datetime
    wanted_at: datetime


def tent(nights: int, seed: int = 3) -> Shed:
    """Return the simulated tent, with its flame out for eight hours in one night of eight."""
    start = datetime(2026, 2, 10, tzinfo=UTC)
    end = start + WARM_UP + timedelta(days=nights + 4)
    random = np.random.default_rng(seed)
    events = []
    for day in range((end - start).days):
        if random.random() < FLAME_OUT_ODDS:
            out = (start + timedelta(days=day, hours=float(random.uniform(20, 26)))).timestamp()
            events.append(Event(Breaks.HEATER_OUT, out, out + FLAME_OUT.total_seconds()))
    simulation = Simulation(Tent(), start, seed, Scenario(tuple(events)))
    found = simulation.record(end, 600)
    names = ("keel.air_c", "keel.humidity_pct", "keel.part_c")
    return Shed(
        "tent", "keel", found.time_s.astype(np.int64) * 1_000_000, {n: found.reported[n] for n in names}
    )


def measured(name: str) -> Shed:
    """Return a measured room, as ``house_belgium/office``; its air stands in for its part."""
    file, _, room = name.partition("/")
    history = read_csv(DATA / f"{file}.csv.gz")
    names = (f"{room}.air_c", f"{room}.humidity_pct")
    return Shed(name, room, history.times_us, {n: history.columns[n] for n in names})


def settings(shed: Shed) -> Config:
    """Return limits at the data's own quantiles: 35 % of temperature, 65 % of humidity."""
    air, humidity = shed.columns[f"{shed.bay}.air_c"], shed.columns[f"{shed.bay}.humidity_pct"]
    floor = float(np.nanquantile(air, 0.35))
    limits = {
        "air_min_c": floor, "part_min_c": floor, "stale_after_min": 45.0,
        "humidity_max_pct": float(np.nanquantile(humidity, 0.65)),
    }  # fmt: skip
    return Config.model_validate({"limits": limits, "cure": {"ready_by": ""}})


def arrival(shed: Shed, config: Config, laid_at: datetime) -> datetime | None:
    """Return when a batch truly got there, by everything that was measured; None if not within `LONGEST`."""
    end = laid_at + LONGEST
    store = shed.store(laid_at - timedelta(hours=26), end)
    (cure,) = make_outlook(store, _without_jobs(config), end, book=_book(shed, laid_at, None)).cures
    if cure.state is None:
        return None
    return next(one.reached_at for one in cure.state.stages if one.stage is Stage.SANDABLE)


def spans(shed: Shed, config: Config, count: int, laid_h: float) -> list[Span]:
    """Return the nights: each batch is wanted at an hour that one in seven of those just before missed."""
    days = shed.days(laid_h)
    took_h = []
    with paces_once():
        for laid_at in days[: BEFORE + count]:
            there_at = arrival(shed, config, laid_at)
            took_h.append(((there_at or laid_at + LONGEST) - laid_at) / timedelta(hours=1))
    return [
        Span(laid_at, laid_at + timedelta(hours=_wanted_h(took_h[i - BEFORE : i - KNOWN + 1])))
        for i, laid_at in enumerate(days[: BEFORE + count])
        if i >= BEFORE
    ]


def _wanted_h(took_h: Sequence[float]) -> float:
    """Return the hour to plan on, full or half as people do."""
    return float(np.ceil(2.0 * np.quantile(took_h, WANTED_QUANTILE)) / 2.0)


def outlooks(shed: Shed, config: Config, nights: Sequence[Span]) -> Iterator[tuple[Outlook, ...]]:
    """Yield each night's outlooks, one every half hour, without what alarms do not ask for."""
    history, forecaster = thin(shed.times_us, shed.columns), Forecaster()
    made = _without_jobs(config)
    known: dict[datetime, Forecast] = {}
    with paces_once():
        for night in nights:
            known = {at: one for at, one in known.items() if at > night.laid_at - REFRESH}
            yield tuple(_night(shed, made, night, (history, forecaster, known)))


def _night(
    shed: Shed, made: Made, night: Span, ahead: tuple[History, Forecaster, dict[datetime, Forecast]]
) -> Iterator[Outlook]:
    history, forecaster, known = ahead
    book, end = _book(shed, night.laid_at, night.wanted_at), night.wanted_at + LOOK
    store = shed.store(night.laid_at - timedelta(hours=26), end + LOOK)
    at = night.laid_at + LOOK
    while at <= end:
        issued_at = at - (at - night.laid_at.replace(hour=0, minute=0)) % REFRESH
        if issued_at not in known:
            known[issued_at] = forecaster.refresh(history, issued_at)
        ahead_now = replace(known[issued_at], issued_at=max(issued_at, at - FORECAST_STALE))
        outlook = make_outlook(store, made, at, forecast=ahead_now, book=book)
        yield replace(outlook, bays=tuple(replace(bay, bands=()) for bay in outlook.bays))
        at += LOOK


def kept(shed: Shed, config: Config, nights: Sequence[Span]) -> list[tuple[Outlook, ...]]:
    """Return the outlooks of some nights, from the folder if they lie there."""
    path = FOLDER / f"{_key(shed, config, nights)}.pickle"
    if path.exists():
        stored: list[tuple[Outlook, ...]] = pickle.loads(path.read_bytes())  # noqa: S301  our own file
        return stored
    made = list(outlooks(shed, config, nights))
    FOLDER.mkdir(parents=True, exist_ok=True)
    half = path.with_suffix(".part")
    half.write_bytes(pickle.dumps(made))
    half.replace(path)
    return made


def shed_named(name: str, count: int) -> Shed:
    """Return a set's shed."""
    return tent(count) if name == "tent" else measured(name)


def _key(shed: Shed, config: Config, nights: Sequence[Span]) -> str:
    """Name outlooks by the readings, settings, nights and code they come from."""
    found = hashlib.sha256(repr((shed.name, config.limits, nights, LOOK, REFRESH, CARD)).encode())
    for column in (shed.times_us, *shed.columns.values()):
        found.update(np.ascontiguousarray(column).tobytes())
    for source in sorted((ROOT / "forecast").rglob("*")):
        if source.suffix in {".py", ".toml"}:
            found.update(source.read_bytes())
    for made_by in (outlooks, _night, _book):
        found.update(inspect.getsource(made_by).encode())
    return found.hexdigest()[:20]


def _without_jobs(config: Config) -> Made:
    """Return what outlooks are of, without windows: no job waits."""
    return replace(shed_of(config, ()), jobs=lambda at: Planned((), (), terms_of(config, at)))


def _book(shed: Shed, laid_at: datetime, wanted_at: datetime | None) -> Book:
    """Return a journal with one batch."""
    ready = "" if wanted_at is None else "sandable"
    batch = Batch(shed.bay, "hull", CARD, 1.75, ready_stage=ready, ready_by=wanted_at)
    return Book(MappingProxyType({"k1": Cure("k1", batch, laid_at)}), (), (), 1)


@contextmanager
def paces_once() -> Iterator[None]:
    """Work out a batch's pace once, not for each outlook: nothing is learned of the resin meanwhile."""
    made: dict[tuple[str, float], CureRates] = {}

    def once(card: Card, catalyst_pct: float, gel: TimeSurface | None = None) -> CureRates:
        key = card.key, catalyst_pct
        if key not in made:
            made[key] = cure_rates(card, catalyst_pct, gel)
        return made[key]

    with patch.object(tonight, "cure_rates", once):
        yield
