"""Heater forecasts against what came: peaks, advice followed, and the hour the fuel runs out.

python -m tests.bench.overshoot                 # every table, on lives of the tent not used in development
python -m tests.bench.overshoot --seeds 1-3     # others
"""

import argparse
import copy
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from collector.heater_config import HeaterConfig
from forecast.card_files import find_card
from forecast.climate_past import Array, ClimatePast, past_on_grid
from forecast.fuel import PROPANE_J_KG, HoursAhead, full_burn_kg_h, run_out
from forecast.heater import heater_outlook
from forecast.heater_plan import AHEAD_H, peak_of
from forecast.heater_reading import HeaterPast, coming
from forecast.heater_shed import Coming, HeaterSettings, Part, PotPlan, ReadyShed, ready_shed
from forecast.heater_state import Action, HeaterOutlook
from forecast.heater_work import batch_pace, work_min
from forecast.resin import gel_surface
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.simulation import Simulation
from tests.forecast.shed_data import BAYS, series_of

SEEDS = tuple(range(21, 31))
START = datetime(2026, 3, 20, tzinfo=UTC)
LEARN_DAYS, DAYS = 7, 13
PEAK_K, PEAK_MIN, WORK_MIN, FUEL_SHARE = 0.7, 10.0, 5.0, 0.10
"""What the project asks of itself."""
FUEL_H = (12, 24, 48)
_AS_IT_CAME, _BLIND = "as it came", "no forecast"
_OUTDOOR = ("outdoor.air_c", "outdoor.sun_w_m2", "outdoor.wind_m_s")
_AHEAD_MIN = 60
_PROMISED_ODDS, _HOPELESS_ODDS = 0.8, 0.5


@dataclass(frozen=True, slots=True)
class Raise:
    """Somebody sets the thermostat up by hand for three hours: at a minute of the life, to a setting [°C]."""

    minute: int
    setpoint_c: float

    @property
    def event(self) -> Event:
        """The same as the tent wants it."""
        start_s = START.timestamp() + 60.0 * self.minute
        return Event(Kind.SETPOINT, start_s, start_s + 3 * 3600.0, value_c_or_s=self.setpoint_c)


def raises_of(seed: int) -> list[Raise]:
    """Return one raise a day after the days of learning."""
    random = np.random.default_rng([seed, 77])
    return [
        Raise(
            day * 1440 + int(random.uniform(9 * 60, 14 * 60)), round(random.uniform(18.5, 22.0) * 2.0) / 2.0
        )
        for day in range(LEARN_DAYS, DAYS)
    ]


@dataclass(frozen=True, slots=True)
class Peaked:
    """One raise: the peak that came, and what was said of it an hour before."""

    seed: int
    setpoint_c: float
    true_c: float
    said_c: float
    off_k: float
    off_min: float
    inside: bool


class Life:
    """One life of the tent: learned for a week, then asked an hour before each peak."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.raises = raises_of(seed)
        scenario = Scenario(tuple(each.event for each in self.raises))
        self.history = Simulation(Tent(), START, seed, scenario).record(START + timedelta(days=DAYS), 60)
        first_us, last_us = int(self.history.time_s[0]) * 1_000_000, int(self.history.time_s[-1]) * 1_000_000
        self.past = past_on_grid(series_of(self.history), BAYS, first_us, last_us)
        self.settings = HeaterSettings(power_w=Tent().heater.power_w)
        self.ready = ready_shed(self.past.until(LEARN_DAYS * 1440), self.settings)

    def asked(
        self, minute: int, setpoint_c: Array, pot: PotPlan | None = None, part_c: float = 10.0
    ) -> HeaterOutlook:
        """Return the outlook at a minute of this life, with the settings ahead as they are planned."""
        now = ReadyShed(self.ready.shed, self.past.until(minute, LEARN_DAYS * 1440), self.ready.source)
        dull = HoursAhead(*(np.full(72, value) for value in (6.0, 50.0, 3.0, 15.0)))
        at = START + timedelta(minutes=minute - 1)
        return heater_outlook(
            now, self.settings, Coming(setpoint_c, None, dull), at, pot=pot, part=Part(part_c)
        )

    def planned_c(self, minute: int) -> Array:
        """Return the settings of the next four hours: the programme, and the raise that is planned."""
        return self.history.truth["heater.setpoint_c"][minute : minute + round(AHEAD_H * 60)]


def peaks(life: Life) -> Iterator[Peaked]:
    """Yield each raise that made the heater work: the peak, and what was said sixty minutes before it."""
    true = life.history.truth["keel.air_c"]
    for each in life.raises:
        peak = peak_of(true[None, each.minute : each.minute + 120], 60.0)
        asked = each.minute + int(peak.step[0]) - _AHEAD_MIN
        if true[each.minute] > each.setpoint_c - 0.5 or not np.isfinite(life.past.air_c[:, asked - 1]).all():
            continue  # no warm-up, or a sensor that was silent just then
        came = peak_of(true[None, asked : asked + 120], 60.0)
        said = life.asked(asked, life.planned_c(asked)).overshoot
        assert said is not None
        said_min = (said.peak_at - START) / timedelta(minutes=1) - asked
        peak_c = float(came.peak_c[0])
        yield Peaked(
            seed=life.seed,
            setpoint_c=each.setpoint_c,
            true_c=peak_c,
            said_c=said.peak_c,
            off_k=said.peak_c - peak_c,
            off_min=said_min - float(came.step[0]),
            inside=said.peak_low_c <= peak_c <= said.peak_high_c,
        )


@dataclass(frozen=True, slots=True)
class Followed:
    """Advice that was followed in the tent: the plan, how long the pot lasted [min], and the odds said."""

    seed: int
    action: Action
    plan_min: float
    lasted_min: float
    kept_odds: float

    @property
    def promised(self) -> bool:
        """Whether layday gave it as a plan, not as too unsure for one."""
        return self.kept_odds >= _PROMISED_ODDS

    @property
    def kept(self) -> bool:
        """Whether the pot lasted as planned."""
        return abs(self.lasted_min - self.plan_min) <= WORK_MIN


def followed(life: Life, card: str, above_k: float) -> Iterator[Followed]:
    """Yield what came of each advice, asked as the thermostat was raised and followed to the letter.

    The pot, with 1 % of catalyst, is planned for `above_k` less than the thermostat was raised to: a shed
    that is warmed up first and worked in later.
    """
    found, catalyst_pct = find_card(card, ()), 1.0
    surface = gel_surface(found)
    simulation = Simulation(Tent(), START, life.seed, Scenario(tuple(each.event for each in life.raises)))
    for each in life.raises:
        asked = each.minute + 1
        simulation.advance(START.timestamp() + 60.0 * (asked - 1))
        pot = PotPlan(found, surface, catalyst_pct, each.setpoint_c - above_k)
        outlook = life.asked(asked, life.planned_c(asked), pot)
        advice = outlook.advice
        if advice.mix_at is None or outlook.work is None:
            continue
        other = copy.deepcopy(simulation)
        if advice.by_at is not None:
            start_s, kind = advice.by_at.timestamp(), Kind.HEATER_OFF
            if advice.action is Action.SET:
                kind = Kind.SETPOINT
            event = Event(kind, start_s, start_s + 4 * 3600.0, value_c_or_s=advice.setpoint_c)
            other.scenario = Scenario((*simulation.scenario.events, event))
        mixed = round((advice.mix_at - START) / timedelta(minutes=1))
        other.advance(START.timestamp() + 60.0 * mixed)
        air_c = other.record(START + timedelta(minutes=mixed + 120), 60).truth["keel.air_c"]
        pace = batch_pace(found, surface, catalyst_pct, outlook.work.plan_c)
        lasted = float(work_min(pace, air_c[None], 60.0, np.array([0]))[0, 0])
        yield Followed(life.seed, advice.action, pace.plan_min, lasted, advice.kept_odds or 0.0)


@dataclass(frozen=True, slots=True)
class RanOut:
    """Fuel that runs out after about so long [h]: how far off the hour was said, as a share of the time left.

    `off_share` maps what was known of the weather to it; `slack_share` is how far the true hour itself lies
    off for a bottle with five per cent more or less in it.
    """

    hours: int
    off_share: dict[str, float]
    slack_share: float


def ran_out(seed: int, month: int) -> Iterator[RanOut]:
    """Yield run-out hours of a tent with a large tank, with the weather to come known and not known.

    Fuel only ever runs out while it burns: each bottle is one that is empty at the first burning from 12,
    24 or 48 hours on.
    """
    tent = Tent()
    tent = replace(
        tent, heater=replace(tent.heater, bottle_kg=400.0), habits=replace(tent.habits, bottle_reserve_kg=0.0)
    )
    start = datetime(2026, month, 12, tzinfo=UTC)
    history = Simulation(tent, start, seed).record(start + timedelta(days=14), 60)
    series, true = series_of(history), history.truth
    first_us = int(history.time_s[0]) * 1_000_000
    past = past_on_grid(series, BAYS, first_us, int(history.time_s[-1]) * 1_000_000)
    full_kg_h = full_burn_kg_h(tent.heater.power_w, PROPANE_J_KG)
    for asked in range(7 * 1440, 10 * 1440, 347):
        so_far = past.until(asked)
        heard = HeaterPast(so_far, series)
        blind = coming(heard, HeaterConfig(), UTC).hours
        came = [true[name][asked : asked + 72 * 60].reshape(72, 60).mean(axis=1) for name in _OUTDOOR]
        ahead = {
            _AS_IT_CAME: replace(blind, out_c=came[0], sun_w_m2=came[1], wind_m_s=came[2]),
            _BLIND: blind,
        }
        burned_kg = true["heater.gas_kg"][asked] - true["heater.gas_kg"][asked : asked + 72 * 60 + 1]
        for hours in FUEL_H:
            yield from _one_ran_out(so_far, ahead, burned_kg, hours, full_kg_h)


def _one_ran_out(
    so_far: ClimatePast, ahead: dict[str, HoursAhead], burned_kg: Array, hours: int, full_kg_h: float
) -> Iterator[RanOut]:
    burning = np.flatnonzero(np.diff(burned_kg[60 * hours :]) > 0.0)
    if not len(burning):
        return
    minute = 60 * hours + int(burning[0]) + 1
    left_kg, off_share = float(burned_kg[minute]), {}
    for known, weather in ahead.items():
        found = run_out(so_far, weather, left_kg, full_kg_h, forecast=known == _AS_IT_CAME)
        assert found is not None
        off_share[known] = 60.0 * min(found.likely_h, 72.0) / minute - 1.0
    others = [int(np.searchsorted(burned_kg, left_kg * by)) / minute - 1.0 for by in (0.95, 1.05)]
    yield RanOut(hours, off_share, _mean(others))


def _mean(values: Sequence[float]) -> float:
    return float(np.mean(np.abs(values))) if values else float("nan")


def _peak_table(lives: Sequence[Life]) -> None:
    found = [each for life in lives for each in peaks(life)]
    print(
        f"\nHighest air of two hours after the thermostat is raised, said an hour before: {len(found)} raises"
    )
    print(f"{'life':>5}{'set to':>8}{'peak':>8}{'said':>8}{'off, K':>8}{'off, min':>10}")
    for each in found:
        print(
            f"{each.seed:>5}{each.setpoint_c:>8.1f}{each.true_c:>8.2f}{each.said_c:>8.2f}"
            f"{each.off_k:>8.2f}{each.off_min:>10.0f}"
        )
    inside = np.mean([each.inside for each in found])
    off_k, off_min = (_mean([getattr(each, name) for each in found]) for name in ("off_k", "off_min"))
    print(f"mean {off_k:.2f} K (asked: {PEAK_K}), {off_min:.1f} min (asked: {PEAK_MIN:.0f})")
    print(f"inside the 80 % range: {inside:.2f}")


def _advice_table(lives: Sequence[Life]) -> None:
    print("\nAdvice followed in the tent: how long a pot then lasted, against the plan")
    for card in ("generic-polyester", "generic-vinyl-ester"):
        for above_k in (0.0, 3.0, 4.0):
            found = [each for life in lives for each in followed(life, card, above_k)]
            acts = ", ".join(f"{a.value} {sum(each.action is a for each in found)}" for a in Action)
            print(f"{card}, planned {above_k:g} K below the setting: {len(found)} pots ({acts})")
            _followed_line("given as a plan", [each for each in found if each.promised], " (asked: 0.90)")
            unsure = [each for each in found if _HOPELESS_ODDS <= each.kept_odds < _PROMISED_ODDS]
            _followed_line("as too unsure for one", unsure)
            _followed_line("as hopeless", [each for each in found if each.kept_odds < _HOPELESS_ODDS])


def _followed_line(given: str, found: Sequence[Followed], asked: str = "") -> None:
    if found:
        off = _mean([each.lasted_min - each.plan_min for each in found])
        said, kept = (np.mean([getattr(each, name) for each in found]) for name in ("kept_odds", "kept"))
        print(
            f"    {given:<22}{len(found):>3}: {off:.1f} min off, within {WORK_MIN:.0f} min said {said:.2f}, "
            f"held {kept:.2f}{asked}"
        )


def _fuel_table(seeds: Sequence[int]) -> None:
    found = [each for seed in seeds for month in (1, 3, 10) for each in ran_out(seed, month)]
    print(
        "\nHour the fuel runs out, off by a share of the time left (asked: 0.10), with the weather that "
        "came,\nand without a forecast; beside it how far the true hour moves with 5 % more or less fuel"
    )
    print(
        f"{'left, h':>8}{'n':>5}{'as it came: mean':>18}{'median':>8}"
        f"{'no forecast: mean':>19}{'median':>8}{'5 %':>8}"
    )
    for hours in FUEL_H:
        mine = [each for each in found if each.hours == hours]
        row = f"{hours:>8}{len(mine):>5}"
        for known, width in ((_AS_IT_CAME, 18), (_BLIND, 19)):
            off = [each.off_share[known] for each in mine]
            row += f"{_mean(off):>{width}.3f}{float(np.median(np.abs(off))):>8.3f}"
        print(f"{row}{_mean([each.slack_share for each in mine]):>8.3f}")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default=f"{SEEDS[0]}-{SEEDS[-1]}", help="lives of the tent, as in 21-30")
    parser.add_argument("--only", choices=("peaks", "advice", "fuel"), help="one table of the three")
    given = parser.parse_args()
    first, _, last = given.seeds.partition("-")
    seeds = range(int(first), int(last or first) + 1)
    if given.only != "fuel":
        lives = [Life(seed) for seed in seeds]
    if given.only in {None, "peaks"}:
        _peak_table(lives)
    if given.only in {None, "advice"}:
        _advice_table(lives)
    if given.only in {None, "fuel"}:
        _fuel_table(seeds)


if __name__ == "__main__":
    main()
