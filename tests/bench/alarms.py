"""Wake-ups and failed cures over many nights: ``python -m tests.bench.alarms [--nights N] [SET …]``.

A set is ``tent`` or a measured room, as ``house_belgium/office``; ``@8`` after it lays at eight in the
morning, so that what can still be done must be done by night. Each day a batch is laid and wanted sandable
at an hour that one day in seven misses (the 85 % quantile of its own days). Every half hour an outlook
is made from what was measured by then and a forecast of at most three hours ago; alarms follow it. Nobody
ever answers.

`failed` nights are those whose measured course got there later than wanted. A night counts as `allowed`
where the forecast gave less than even odds two and a quarter hours before or earlier, as `pressed` where in
quiet hours something helped and before long would no longer have. The simulated tent loses its flame in one
night of eight.
"""

import argparse
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from datetime import time as clock_time
from pathlib import Path
from types import MappingProxyType
from unittest.mock import patch

import numpy as np

from collector.clock import from_us, to_us
from collector.config import Config
from collector.domain import Reading
from collector.journal_book import Batch, Book, Cure
from collector.store.memory import MemoryStore
from dashboards.notify.causes import AlarmCause
from dashboards.notify.quiet import QuietHours
from dashboards.notify.service import scene_of
from dashboards.notify.shed_findings import findings
from dashboards.notify.watch import Kind, Notice, Policy, Watch, step
from forecast import tonight
from forecast.card import Card, Stage
from forecast.card_rates import cure_rates
from forecast.forecaster import Forecaster
from forecast.outlook import Outlook
from forecast.outlook_maker import make_outlook, shed_of
from forecast.pace import CureRates
from forecast.past import Array, Times, read_csv, thin
from forecast.time_surface import TimeSurface
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Event, Scenario
from hardware.tent.scenario import Kind as Breaks
from hardware.tent.simulation import Simulation

DATA = Path(__file__).parent.parent / "data"
POLICY = Policy(QuietHours(clock_time(22), clock_time(6, 30)))
LOOK = timedelta(minutes=30)
REFRESH = timedelta(hours=3)
WARM_UP = timedelta(days=14)
LAID_H = 16.0
SETS = ("tent", "tent@8", "house_belgium/laundry", "house_belgium/office")
WANTED_QUANTILE = 0.85
CARD = "generic-vinyl-ester"
LEAD = timedelta(hours=2)
_FATE = {AlarmCause.STAGE_AT_RISK, AlarmCause.STALL_AHEAD}


@dataclass(frozen=True)
class Shed:
    """A long stretch of one bay's readings; times in microseconds, columns by name."""

    name: str
    bay: str
    times_us: Times
    columns: Mapping[str, Array]

    def nights(self, count: int, laid_h: float = LAID_H) -> list[datetime]:
        """Return when each night's batch is laid, at an hour of the day."""
        first = from_us(int(self.times_us[0])) + WARM_UP
        day = first.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
        last = from_us(int(self.times_us[-1])) - timedelta(days=2)
        laid = [day + timedelta(days=i, hours=laid_h) for i in range(count)]
        return [at for at in laid if at <= last]

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
class Night:
    """What came of a night."""

    laid_at: datetime
    wanted_at: datetime
    arrived_at: datetime | None
    wakes: int
    escalations: int
    told: int
    announced_at: datetime | None
    allowed: bool
    pressed: bool

    @property
    def failed(self) -> bool:
        """Whether the cure truly was not there at the hour wanted."""
        return self.arrived_at is None or self.arrived_at > self.wanted_at

    @property
    def is_announced(self) -> bool:
        """Whether a failed one was told of in time: two hours before where the forecast allowed."""
        latest = self.wanted_at - LEAD if self.allowed else self.wanted_at
        return self.announced_at is not None and self.announced_at <= latest


def tent(nights: int, seed: int = 3) -> Shed:
    """Return the simulated tent, with its flame out for eight hours in one night of eight."""
    start = datetime(2026, 2, 10, tzinfo=UTC)
    end = start + WARM_UP + timedelta(days=nights + 4)
    random = np.random.default_rng(seed)
    events = []
    for day in range((end - start).days):
        if random.random() < 0.125:
            out = (start + timedelta(days=day, hours=float(random.uniform(20, 26)))).timestamp()
            events.append(Event(Breaks.HEATER_OUT, out, out + 8 * 3600.0))
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


def book_of(shed: Shed, laid_at: datetime, wanted_at: datetime | None) -> Book:
    """Return a journal with one batch."""
    ready = "" if wanted_at is None else "sandable"
    batch = Batch(shed.bay, "hull", CARD, 1.75, ready_stage=ready, ready_by=wanted_at)
    return Book(MappingProxyType({"k1": Cure("k1", batch, laid_at)}), (), (), 1)


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
    """Return when a cure truly got there, by everything that was measured."""
    end = laid_at + timedelta(hours=44)
    outlook = make_outlook(
        shed.store(laid_at - timedelta(hours=26), end),
        shed_of(config, ()),
        end,
        book=book_of(shed, laid_at, None),
    )
    state = outlook.cures[0].state
    if state is None:
        return None
    return next(one.reached_at for one in state.stages if one.stage is Stage.SANDABLE)


def follow(shed: Shed, config: Config, span: tuple[datetime, datetime], forecaster: Forecaster) -> Night:
    """Follow one night's alarms from laying to the hour wanted."""
    laid_at, wanted_at = span
    book, made = book_of(shed, laid_at, wanted_at), shed_of(config, ())
    history = thin(shed.times_us, shed.columns)
    end = wanted_at + timedelta(minutes=30)
    store = shed.store(laid_at - timedelta(hours=26), end + LOOK)
    watch, before, ahead = Watch(), None, None
    notices: list[Notice] = []
    allowed, pressed, at, refreshed_at = False, False, laid_at + timedelta(minutes=30), laid_at - REFRESH
    while at <= end:
        if at - refreshed_at >= REFRESH:
            ahead, refreshed_at = forecaster.refresh(history, at), at
        outlook = make_outlook(store, made, at, forecast=ahead, book=book)
        allowed |= _sees_it(outlook, wanted_at - at)
        found = step(watch, findings(scene_of(outlook, before, at)), at, POLICY)
        pressed |= POLICY.is_quiet(at) and any(
            one.finding is not None and one.finding.wakes for one in found.watch.live
        )
        watch, before = found.watch, outlook
        notices += found.notices
        at += LOOK
    raised = [one for one in notices if one.kind is Kind.RAISED]
    of_fate = [one for one in raised if any(alarm.spot.cause in _FATE for alarm in one.alarms)]
    return Night(
        laid_at,
        wanted_at,
        arrival(shed, config, laid_at),
        wakes=sum(one.wakes for one in raised),
        escalations=sum(one.wakes for one in notices if one.kind is Kind.ESCALATED),
        told=len(notices),
        announced_at=of_fate[0].hold_until or of_fate[0].at if of_fate else None,
        allowed=allowed,
        pressed=pressed,
    )


def _sees_it(outlook: Outlook, left: timedelta) -> bool:
    if left < LEAD + timedelta(minutes=15):
        return False
    return any(cure.ready is not None and (cure.ready.odds or 0.0) < 0.5 for cure in outlook.cures)


@contextmanager
def paces_once() -> Iterator[None]:
    """Work out a batch's pace once, not for each outlook: nothing is learned of the resin meanwhile."""
    made: dict[tuple[str, float], CureRates] = {}

    def kept(card: Card, catalyst_pct: float, gel: TimeSurface | None = None) -> CureRates:
        key = card.key, catalyst_pct
        if key not in made:
            made[key] = cure_rates(card, catalyst_pct, gel)
        return made[key]

    with patch.object(tonight, "cure_rates", kept):
        yield


def nights(shed: Shed, count: int, laid_h: float = LAID_H, skip: int = 0) -> Iterator[Night]:
    """Yield what came of each night, the first `skip` left out."""
    config, forecaster = settings(shed), Forecaster()
    laid = shed.nights(count, laid_h)
    with paces_once():
        took_h = []
        for at in laid:
            there = arrival(shed, config, at)
            took_h.append(44.0 if there is None else (there - at) / timedelta(hours=1))
        wanted = timedelta(hours=float(np.quantile(took_h, WANTED_QUANTILE)))
        for at in laid[skip:]:
            yield follow(shed, config, (at, at + wanted), forecaster)


def line(night: Night) -> str:
    """Return a night's line: hours after laying at which it was wanted, there, and told of."""

    def hours(at: datetime | None) -> str:
        return "   -" if at is None else f"{(at - night.laid_at) / timedelta(hours=1):4.1f}"

    said = "failed, " + ("told in time" if night.is_announced else "NOT TOLD IN TIME") if night.failed else ""
    return (
        f"  {night.laid_at:%Y-%m-%d %H}h  wanted {hours(night.wanted_at)}, there {hours(night.arrived_at)}, "
        f"told {hours(night.announced_at)} h; wake-ups {night.wakes}+{night.escalations} "
        f"{'pressed ' if night.pressed else ''}{said}"
    )


def summary(name: str, found: Sequence[Night]) -> str:
    """Return a set's line."""
    wakes = [night.wakes for night in found]
    failed = [night for night in found if night.failed]
    false = sum(night.announced_at is not None for night in found if not night.failed)
    return (
        f"{name} {len(found)} nights, pressed {sum(night.pressed for night in found)}: "
        f"wake-ups mean {np.mean(wakes):.2f}, most {max(wakes)}, "
        f"escalations mean {np.mean([night.escalations for night in found]):.2f}, "
        f"messages mean {np.mean([night.told for night in found]):.1f}; "
        f"failed {len(failed)}, announced in time {sum(night.is_announced for night in failed)} "
        f"({sum(night.allowed for night in failed)} could be seen 2 h before), "
        f"said of {false} that did not fail"
    )


def main() -> None:
    """Print a line a set, and every failed night."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sets", nargs="*", default=SETS)
    parser.add_argument("--nights", type=int, default=0, help="nights a set (else 100 and 60)")
    parser.add_argument("--skip", type=int, default=0, help="nights at the beginning to leave out")
    given = parser.parse_args()
    for name in given.sets:
        began_s = time.monotonic()
        place, _, hour = name.partition("@")
        count = given.nights or (100 if place == "tent" else 60)
        shed = tent(count) if place == "tent" else measured(place)
        found = []
        for night in nights(shed, count, float(hour) if hour else LAID_H, given.skip):
            found.append(night)
            if night.failed or night.wakes or night.pressed:
                print(line(night), flush=True)
        print(f"{summary(name, found)}; {time.monotonic() - began_s:.0f} s", flush=True)


if __name__ == "__main__":
    main()
