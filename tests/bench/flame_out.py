"""Flames that go out: how far the hours after are told amiss, and how often the range holds them.

    python -m tests.bench.flame_out                 # lives of the tent not used in development
    python -m tests.bench.flame_out --seeds 1-3     # others

"as usual" is the forecast of a shed that goes on as it did, "left off" what layday says beside a heater that
has stopped, "lit again" what it says of a flame lit two hours later (and then it is). The shed is learned
from the week before; asked forty minutes and three hours after the flame went out.

The last table is of the days after: a flame out from ten to six, the part's forecast as all that was measured
teaches it, and as layday makes it, which leaves the outage out; beside it the same life without one.
"""

import argparse
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from collector.clock import from_us
from forecast.climate_past import Array
from forecast.climate_run import Weather
from forecast.forecaster import forecast
from forecast.heater_shed import HeaterSettings, ReadyShed, ready_shed
from forecast.moisture import absolute_humidity_g_m3
from forecast.outages import without_outages
from forecast.outside_ahead import outside_ahead
from forecast.past import History as Past
from forecast.past import thin
from forecast.paths import PATHS, Forecast, Unit
from forecast.unheated import AHEAD_STEP_S, AHEAD_STEPS, Unheated, unheated
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.simulation import History, Simulation
from tests.forecast.shed_data import START, past_of

OUT_H = (1, 8, 15, 19, 22)
ASKED_MIN = (40, 180)
AFTER_H = (6, 12, 24)
AHEAD_H = (1, 3, 6, 12, 18)
_LEARN_DAYS, _LIT_AFTER_H, _DAY_MIN = 9, 2.0, 1440
_LOW, _HIGH = 0.1, 0.9
_BLIND, _CAME = "Without an outdoor forecast", "With the weather as it came"

Key = tuple[str, str, str, int]


@dataclass(frozen=True, slots=True)
class Missed:
    """By how much one moment ahead was told amiss, in the quantity's unit; `inside` the range of 8 in 10."""

    off: float
    inside: bool


@dataclass(frozen=True, slots=True)
class Night:
    """One life of the tent whose flame goes out; `lit_after_h` from when it is asked, None: it stays out."""

    seed: int
    out_h: int
    asked_min: int
    lit_after_h: float | None = None

    @property
    def asked(self) -> int:
        """The minute of the life at which it is asked."""
        return _LEARN_DAYS * _DAY_MIN + self.out_h * 60 + self.asked_min

    def lived(self) -> History:
        """Return the life."""
        out_s = START.timestamp() + 60.0 * (self.asked - self.asked_min)
        lit_s = START.timestamp() + 60.0 * self.asked + 3600.0 * (self.lit_after_h or 48.0)
        scenario = Scenario((Event(Kind.HEATER_OUT, out_s, lit_s),), dropouts_per_day=0.0)
        return Simulation(Tent(), START, self.seed, scenario).record(START + timedelta(days=12), 60)


def misses(night: Night) -> Iterator[tuple[Key, Missed]]:
    """Yield every look ahead of one night: by the weather, what was said, the quantity and hours ahead."""
    life = night.lived()
    past = past_of(life).until(night.asked)
    at = from_us(int(past.times_us[-1]))
    usual = forecast(_past(life, night.asked), at)
    week, out_at = 7 * _DAY_MIN, night.asked - night.asked_min
    learned = ready_shed(past.until(out_at, week), HeaterSettings(power_w=9000.0))
    ready = ReadyShed(learned.shed, past.until(night.asked, week), learned.source)
    slow = ready.past.every(AHEAD_STEP_S // ready.past.step_s)
    skies = {_BLIND: outside_ahead(slow, AHEAD_STEPS, PATHS), _CAME: _came(life, night.asked)}
    for sky, weather in skies.items():
        found = unheated(ready, usual, weather, _ahead(life, "heater.setpoint_c", night.asked), at)
        for name, said in _said(night, usual, found, at).items():
            for unit in said.paths:
                yield from (((sky, name, unit[1], hours), one) for hours, one in _scored(said, unit, life))


def _scored(said: Forecast, unit: Unit, life: History) -> Iterator[tuple[int, Missed]]:
    true = np.interp(said.times_us / 1e6, life.time_s, life.truth[".".join(unit)])
    low, likely, high = np.quantile(said.paths[unit], (_LOW, 0.5, _HIGH), axis=0)
    for hours in AHEAD_H:
        step = hours * 6 - 1
        yield hours, Missed(float(likely[step] - true[step]), bool(low[step] <= true[step] <= high[step]))


def _said(night: Night, usual: Forecast, found: Unheated, at: datetime) -> dict[str, Forecast]:
    if night.lit_after_h is None:
        return {"as usual": usual, "left off": found.left_off}
    lit_at = at + timedelta(hours=night.lit_after_h)
    return {"lit again": min(found.relit, key=lambda one: abs(one[0] - lit_at))[1]}


def _past(life: History, asked: int) -> Past:
    """Return the half hours that were measured until a minute of a life."""
    times_us = life.time_s[: asked + 1] * 1_000_000
    return thin(times_us, {name: row[: asked + 1] for name, row in life.reported.items()})


def _ahead(life: History, name: str, asked: int) -> Array:
    return life.truth[name][np.minimum(asked + 10 * np.arange(1, AHEAD_STEPS + 1), len(life.time_s) - 1)]


def _came(life: History, asked: int) -> Weather:
    air_c, sun, wind, pct = (
        _ahead(life, f"outdoor.{name}", asked)[None]
        for name in ("air_c", "sun_w_m2", "wind_m_s", "humidity_pct")
    )
    vapour = absolute_humidity_g_m3(air_c, np.clip(pct, 1.0, 100.0))
    return Weather(float(AHEAD_STEP_S), air_c, sun, wind, vapour)


def nights(seeds: tuple[int, ...]) -> Iterator[Night]:
    """Yield every night: a flame that stays out, and one lit again."""
    for seed in seeds:
        for out_h in OUT_H:
            for asked_min in ASKED_MIN:
                yield Night(seed, out_h, asked_min)
            yield Night(seed, out_h, ASKED_MIN[0], _LIT_AFTER_H)


def days_after(seeds: tuple[int, ...]) -> dict[tuple[int, int], tuple[list[float], ...]]:
    """Return the part's misses by when it is asked and hours ahead: without an outage, with it, left out."""
    out, lit = _LEARN_DAYS * _DAY_MIN + 22 * 60, (_LEARN_DAYS + 1) * _DAY_MIN + 6 * 60
    span = (START.timestamp() + 60.0 * out, START.timestamp() + 60.0 * lit)
    found: dict[tuple[int, int], tuple[list[float], ...]] = defaultdict(lambda: ([], [], []))
    for seed in seeds:
        for kind, events in enumerate(((), (Event(Kind.HEATER_OUT, *span),))):
            life = Simulation(Tent(), START, seed, Scenario(events, 0.0)).record(
                START + timedelta(days=13), 60
            )
            for after_h in AFTER_H:
                asked = lit + after_h * 60
                at = from_us(int(life.time_s[asked]) * 1_000_000)
                past = _past(life, asked)
                pasts = (past, without_outages(past)) if events else (past,)
                for place, one in enumerate(pasts, start=kind):
                    for hours, off in _part_misses(forecast(one, at), life):
                        found[after_h, hours][place].append(off)
    return found


def _part_misses(said: Forecast, life: History) -> Iterator[tuple[int, float]]:
    for bay, quantity in said.paths:
        if quantity == "part_c":
            true = np.interp(said.times_us / 1e6, life.time_s, life.truth[f"{bay}.part_c"])
            likely = said.quantile(bay, quantity, 0.5)
            yield from ((hours, float(likely[hours * 6 - 1] - true[hours * 6 - 1])) for hours in (6, 12, 24))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", default="71-72")
    first, _, last = parser.parse_args().seeds.partition("-")
    seeds = tuple(range(int(first), int(last or first) + 1))
    table: dict[Key, list[Missed]] = defaultdict(list)
    for night in nights(seeds):
        for key, missed in misses(night):
            table[key].append(missed)
    for sky in (_BLIND, _CAME):
        print(f"\n{sky}")
        print("said        quantity      " + "".join(f"{hours:>15} h" for hours in AHEAD_H))
        for name, quantity in sorted({key[1:3] for key in table}, reverse=True):
            cells = (_cell(table[sky, name, quantity, hours]) for hours in AHEAD_H)
            print(f"{name:12}{quantity:14}{''.join(cells)}")
    print("\nA flame out from ten to six, asked so many hours after it was lit: mean miss of the part [K]")
    print("asked   ahead   no outage   as measured   outage left out")
    for (after_h, hours), misses_k in sorted(days_after(seeds).items()):
        usual, raw, left_out = (float(np.abs(one).mean()) for one in misses_k)
        print(f"{after_h:3} h   {hours:3} h   {usual:9.2f}   {raw:11.2f}   {left_out:15.2f}")
    print("\nfirst two tables: mean miss (mean of forecast less measured), share inside the range of 8 in 10")


def _cell(found: list[Missed]) -> str:
    off = np.array([one.off for one in found])
    inside = np.mean([one.inside for one in found])
    return f"{np.abs(off).mean():6.2f} ({off.mean():+.1f}) {inside:3.0%}"


if __name__ == "__main__":
    main()
