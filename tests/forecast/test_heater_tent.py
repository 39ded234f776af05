"""The heater's answers against the simulated tent: overshoot, advice, run-out, and what went wrong."""

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import pytest

from forecast.climate_past import ClimatePast, past_on_grid
from forecast.fuel import HoursAhead
from forecast.heater import heater_now, heater_outlook
from forecast.heater_shed import Coming, ReadyShed, ready_shed
from forecast.heater_signs import sign_of
from forecast.heater_state import Action, Running, Sign
from hardware.tent.scenario import Event, Kind, Scenario
from tests.bench.overshoot import (
    LEARN_DAYS,
    PEAK_K,
    PEAK_MIN,
    START,
    WORK_MIN,
    Life,
    followed,
    peaks,
    ran_out,
)  # fmt: skip
from tests.forecast.shed_data import BAYS, past_of, series_of, tent_history

SEED = 51  # not used in development
_FUEL_SHARE = 0.10


@cache
def life() -> Life:
    return Life(SEED)


@pytest.mark.slow
def test_overshoot_is_told_an_hour_before() -> None:
    """The bar is the project's own: 0.7 K and 10 min, on average."""
    found = list(peaks(life()))
    assert len(found) >= 3
    assert np.mean([abs(each.off_k) for each in found]) <= PEAK_K
    assert np.mean([abs(each.off_min) for each in found]) <= PEAK_MIN


@pytest.mark.slow
def test_a_pot_mixed_as_advised_lasts_as_planned() -> None:
    """Followed in the tent, whose air then is the truth; the shed is warmed 3 K above the plan first.

    Of the few pots of one life one may fail; the table of tests/bench/overshoot.py has the nine in ten.
    """
    found = list(followed(life(), "generic-vinyl-ester", 3.0))
    promised = [each for each in found if each.promised]
    assert len(promised) >= 3
    assert any(each.action in {Action.SET, Action.OFF, Action.WAIT} for each in promised)
    missed = [each for each in promised if abs(each.lasted_min - each.plan_min) > WORK_MIN]
    assert len(missed) <= 1


@pytest.mark.slow
def test_the_hour_the_fuel_runs_out_is_told_a_day_before() -> None:
    found = [each.off_share["as it came"] for each in ran_out(SEED, 1) if each.hours >= 24]
    assert np.mean(np.abs(found)) <= _FUEL_SHARE


BROKEN_FROM_MIN = 2 * 1440 + 2 * 60  # two in the morning, nobody there
LATER_MIN = 45


def broken(kind: Kind | None) -> ClimatePast:
    events: tuple[Event, ...] = ()
    if kind is not None:
        start_s = START.timestamp() + 60.0 * BROKEN_FROM_MIN
        events = (Event(kind, start_s, start_s + 3 * 3600.0),)
    history = tent_history(SEED, 2.3, Scenario(events, dropouts_per_day=0.0))
    return past_of(history).until(BROKEN_FROM_MIN + LATER_MIN, 7 * 1440)


@pytest.mark.slow
def test_a_heater_that_stopped_a_door_and_a_moved_sensor_are_told_apart() -> None:
    shed = life().ready.shed
    well = broken(None)
    assert sign_of(shed, well).sign is Sign.NONE
    out = sign_of(shed, broken(Kind.HEATER_OUT))
    assert out.sign is Sign.HEATER_STOPPED
    assert abs(out.step - (len(well) - LATER_MIN)) <= 45  # its last burn ended at most a swing before
    assert sign_of(shed, broken(Kind.DOOR_OPEN)).sign is Sign.DOOR_OPEN
    moved = well.air_c.copy()
    moved[1, -20:] += 4.0
    assert sign_of(shed, replace(well, air_c=moved)).sign is Sign.SENSOR_MOVED
    young = replace(well, air_c=moved).until(len(well), 181)
    assert sign_of(shed, young).sign is Sign.SENSOR_MOVED


@pytest.mark.slow
@pytest.mark.parametrize("later_min", [15, 25, 40])
def test_a_relay_that_calls_while_nothing_burns_is_a_stopped_heater_and_no_moved_sensor(
    later_min: int,
) -> None:
    """Most people measure the call for heat, not the flame: by its word the air should leap up."""
    shed, out = life().ready.shed, broken(Kind.HEATER_OUT)
    first = len(out) - 40
    calling = out.with_burn(np.where(np.arange(len(out)) >= first, 1.0, out.burn_share))
    found = sign_of(shed, calling.until(first + later_min))
    assert found == (Sign.HEATER_STOPPED, first)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [51, 52])
def test_a_flame_that_goes_out_is_no_moved_sensor_in_a_shed_learned_from_a_reading_every_five_minutes(
    seed: int,
) -> None:
    """Its burner's minutes are then known badly, so that what was reckoned leaps about what is measured."""
    start_s = START.timestamp() + 60.0 * BROKEN_FROM_MIN
    scenario = Scenario((Event(Kind.HEATER_OUT, start_s, start_s + 3 * 3600.0),), dropouts_per_day=0.0)
    history = tent_history(seed, 2.2, scenario)
    fine = series_of(history)
    before_us = round((start_s - 600.0) * 1e6)
    series = {}
    for name, (times_us, values) in fine.items():
        kept = (times_us >= before_us) | (times_us // 1_000_000 % 300 == 0)
        series[name] = times_us[kept], values[kept]
    first_us = int(history.time_s[0]) * 1_000_000
    shed = ready_shed(past_on_grid(series, BAYS, first_us, before_us), life().settings).shed
    signs = [
        sign_of(shed, past_on_grid(series, BAYS, first_us, round((start_s + 60.0 * later_min) * 1e6))).sign
        for later_min in range(5, 120, 5)
    ]
    assert Sign.SENSOR_MOVED not in signs
    assert set(signs[12:]) == {Sign.HEATER_STOPPED}


@pytest.mark.slow
def test_a_stopped_heater_and_a_silent_sensor_give_no_advice() -> None:
    it = life()
    ready = ReadyShed(it.ready.shed, broken(Kind.HEATER_OUT), it.ready.source)
    at = START + timedelta(minutes=BROKEN_FROM_MIN + LATER_MIN)
    ahead = Coming(np.full(240, 14.5), None, HoursAhead(*np.full((4, 72), 10.0)))
    found = heater_outlook(ready, it.settings, ahead, at)
    assert found.sign is Sign.HEATER_STOPPED
    assert found.now.running is Running.STOPPED
    assert any("carbon monoxide" in caution for caution in found.cautions)
    silent = ready.past.air_c.copy()
    silent[:, -60:] = np.nan
    gone = heater_outlook(replace(ready, past=replace(ready.past, air_c=silent)), it.settings, ahead, at)
    assert gone.advice.action is Action.NO_NEWS
    assert gone.overshoot is None
    assert "no fresh reading" in gone.notes[0]
    with pytest.raises(ValueError, match="there are keel, sheer"):
        heater_outlook(ready, it.settings, ahead, at, bay="loft")


@pytest.mark.slow
def test_without_a_heater_column_the_swing_of_the_air_stands_in() -> None:
    past = life().past.until(LEARN_DAYS * 1440)
    unheard = replace(past, burn_share=np.full(len(past), np.nan), setpoint_c=np.full(len(past), np.nan))
    ready = ready_shed(unheard, life().settings)
    assert ready.source == "saw-tooth"
    true_pct = 100.0 * float(np.nanmean(past.burn_share[-180:]))
    now = heater_now(ready, START)
    assert now.duty_pct == pytest.approx(true_pct, abs=12.0)


@pytest.mark.slow
def test_with_little_heard_or_no_word_of_the_heater_there_is_no_news() -> None:
    """A wrong go is worse than a missed one: an hour of readings, or still air and no heater, give none."""
    it = life()
    ahead = Coming(np.full(240, np.nan), None, HoursAhead(*np.full((4, 72), 10.0)))
    young = ready_shed(it.past.until(60), it.settings)
    found = heater_outlook(young, it.settings, ahead, START)
    assert found.advice.action is Action.NO_NEWS
    assert found.overshoot is None
    assert "ask again" in found.notes[0]
    past = it.past.until(1440)
    still = replace(
        past, burn_share=np.full(len(past), np.nan), setpoint_c=np.full(len(past), np.nan),
        air_c=np.full_like(past.air_c, 15.0),
    )  # fmt: skip
    found = heater_outlook(ready_shed(still, it.settings), it.settings, ahead, START)
    assert found.advice.action is Action.NO_NEWS
    assert "no saw-tooth" in found.notes[0]
