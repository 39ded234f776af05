"""The heater's sums by hand: work time, warm-up, fuel, programme, choices; and what cannot be is refused."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.climate_past import ClimatePast, past_on_grid
from forecast.climate_run import Course
from forecast.fuel import HoursAhead, burn_ahead, burned_kg, full_burn_kg_h, run_out, scale_kg
from forecast.heater_plan import Choice, Scenario, best_of, candidates, peak_of
from forecast.heater_reading import programme_ahead
from forecast.heater_work import TEMPS_C, BatchPace, work_min
from forecast.thermostat import Sensing, Thermostat, call_for_heat, felt_c
from forecast.warm_up import behind_k, warm_up
from tests.forecast.shed_data import circuit_past

AT = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
PACE = BatchPace("hand-made", 1.0, 20.0, 40.0 * 2.0 ** ((20.0 - TEMPS_C) / 10.0))
"""40 min at 20 °C, twice as quick for each 10 K: by definition."""


def test_a_pot_at_one_temperature_lasts_what_its_card_says() -> None:
    air_c = np.full((2, 240), 20.0)
    air_c[1] = 30.0
    lasts = work_min(PACE, air_c, 60.0, np.array([0, 30]))
    assert lasts == pytest.approx(np.array([[40.0, 40.0], [20.0, 20.0]]), rel=1e-3)


def test_a_pot_that_gets_warm_half_way_lasts_three_quarters() -> None:
    """20 min at 20 °C use up half; the other half takes 10 min at 30 °C: by hand."""
    air_c = np.full((1, 240), 20.0)
    air_c[0, 21:] = 30.0
    assert work_min(PACE, air_c, 60.0, np.array([0]))[0, 0] == pytest.approx(30.0, abs=0.2)


def test_a_course_that_ends_first_goes_on_as_it_ends() -> None:
    assert work_min(PACE, np.full((1, 20), 20.0), 60.0, np.array([10]))[0, 0] == pytest.approx(40.0, rel=1e-3)


def test_a_skin_heart_stays_behind_as_heat_conduction_has_it() -> None:
    """2 K/h, 20 mm, 0.21 mm²/s: 2/3600 · 0.02² / (2 · 2.1e-7) = 0.529 K, by hand."""
    assert behind_k(20.0, 2.0) == pytest.approx(0.529, abs=0.001)
    assert behind_k(20.0, -2.0) == 0.0
    with pytest.raises(ValueError, match="thickness_mm"):
        behind_k(-1.0, 1.0)


def ramp(from_c: float, k_per_step: float, air_c: float, humid: float) -> Course:
    part = np.tile(from_c + k_per_step * np.arange(240.0), (1, 3, 1))
    return Course(60.0, np.full_like(part, air_c), part, np.full_like(part, humid), np.zeros((3, 240)))


def test_a_part_is_ready_when_it_stays_warm() -> None:
    """10 °C and 0.1 K a minute: 16 °C after 60 min, by hand."""
    found = warm_up(ramp(10.0, 0.1, 20.0, 40.0), 0, 16.0, AT, thickness_mm=8.0, setpoint_c=20.0)
    assert found.ready_at is not None
    assert abs(found.ready_at - (AT + timedelta(minutes=60))) <= timedelta(minutes=1)
    assert found.dew_odds == 0.0
    assert found.least_margin_k == pytest.approx(10.0 - 6.0, abs=0.1)  # dew point of 20 °C, 40 % is 6.0 °C


def test_warm_damp_air_wets_a_cold_part_and_a_cold_part_is_never_ready() -> None:
    """20 °C and 80 % have their dew point at 16.4 °C (WMO-No. 8 formulas), well above 10 °C."""
    found = warm_up(ramp(10.0, 0.001, 20.0, 80.0), 0, 16.0, AT, thickness_mm=8.0, setpoint_c=20.0)
    assert found.ready_at is None
    assert found.dew_odds == 1.0


def steady_past(burn: float, days: int = 4) -> ClimatePast:
    past = circuit_past(days=days)
    return replace(
        past,
        burn_share=np.full(len(past), burn),
        setpoint_c=np.full(len(past), 18.0),
        out_c=np.full(len(past), 8.0),
        sun_w_m2=np.zeros(len(past)),
    )


AHEAD = HoursAhead(np.full(72, 8.0), np.zeros(72), np.zeros(72), np.full(72, 18.0))


@given(left_kg=st.floats(0.5, 20.0), burn=st.floats(0.1, 1.0))
def test_steady_burning_empties_a_bottle_by_plain_division(left_kg: float, burn: float) -> None:
    found = run_out(steady_past(burn, days=1), AHEAD, left_kg, 0.7, forecast=True)
    assert found is not None
    hours = left_kg / (0.7 * burn)
    assert found.likely_h == pytest.approx(hours, rel=1e-6) if hours < 72.0 else found.likely_h == np.inf
    assert found.from_h <= found.likely_h <= found.to_h


def test_fuel_follows_the_weather_to_come() -> None:
    """Twice the lift between outdoors and setting burns about twice as much, where it always has."""
    past = circuit_past(days=6)
    hour = np.arange(len(past)) // 60
    out_c = 8.0 + 4.0 * np.sin(hour / 5.0)
    past = replace(
        past, out_c=out_c, setpoint_c=np.full(len(past), 18.0), burn_share=0.03 * (18.0 - out_c),
        sun_w_m2=np.zeros(len(past)),
    )  # fmt: skip
    mild = run_out(past, AHEAD, 10.0, 0.7, forecast=True)
    cold = run_out(past, replace(AHEAD, out_c=np.full(72, -2.0)), 10.0, 0.7, forecast=True)
    assert mild is not None
    assert cold is not None
    assert mild.likely_h / cold.likely_h == pytest.approx(2.0, rel=0.05)


def test_a_day_that_needs_next_to_nothing_burns_a_little_and_a_cold_one_what_it_needs() -> None:
    """Within an hour the need strays, and burning cannot fall below nothing."""
    by_lift = [
        burn_ahead(circuit_past(), replace(AHEAD, out_c=AHEAD.setpoint_c - lift_k, sun_w_m2=np.zeros(72)))
        for lift_k in (-15.0, 0.0, 5.0, 10.0, 15.0)
    ]
    shares = [float(share.mean()) for share in by_lift if share is not None]
    assert shares == sorted(shares)
    assert 0.0 <= shares[0] < 0.01
    assert 0.02 < shares[1] < 0.1
    assert shares[4] - shares[3] == pytest.approx(shares[3] - shares[2], rel=0.25)  # nearly straight by now


def test_fuel_is_not_guessed() -> None:
    past = steady_past(np.nan)
    assert run_out(past, AHEAD, 10.0, 0.7, forecast=True) is None
    with pytest.raises(ValueError, match="left_kg"):
        run_out(steady_past(0.5), AHEAD, -1.0, 0.7, forecast=True)
    assert burned_kg(steady_past(0.5, days=2), int(past.times_us[0]) - 60_000_000, 0.7) == pytest.approx(
        0.35 * 48, rel=1e-6
    )
    assert full_burn_kg_h(4635.0, 46.35e6) == pytest.approx(0.36)
    times_us = np.array([0, 60_000_000], dtype=np.int64)
    assert scale_kg(times_us, np.array([9.0, 9.2]), 60_000_000) == pytest.approx(9.1)
    assert scale_kg(times_us, np.array([9.0, 9.2]), 7_200_000_000) is None


def test_a_thermostat_switches_part_of_a_step_and_obeys_off_and_left_on() -> None:
    thermostat = Thermostat(0, lag_s=1e-3, on_below_k=0.5, off_above_k=0.5, switches=10)
    sensing = Sensing(np.array([17.0]), np.array([False]))
    assert call_for_heat(thermostat, sensing, np.array([16.0]), np.array(17.0), 60.0)[0] == pytest.approx(0.5)
    assert sensing.calling[0]
    assert call_for_heat(thermostat, sensing, np.array([18.0]), np.array(17.0), 60.0)[0] == pytest.approx(
        0.75
    )
    assert not sensing.calling[0]
    assert call_for_heat(thermostat, sensing, np.array([5.0]), np.array(np.nan), 60.0)[0] == 0.0
    assert call_for_heat(thermostat, sensing, np.array([40.0]), np.array(np.inf), 60.0)[0] == 1.0


def test_a_lagging_sensor_feels_a_step_as_the_exponential() -> None:
    """After one time constant 63.2 % of a step: 1 - 1/e."""
    air_c = np.concatenate([np.full(10, 10.0), np.full(60, 20.0)])
    assert felt_c(air_c, 600.0, 60.0)[19] == pytest.approx(10.0 + 10.0 * (1.0 - np.exp(-1.0)), rel=1e-6)


def test_the_first_time_near_the_highest_counts() -> None:
    air_c = np.array([[15.0, 20.0, 15.0, 20.2, 15.0]])
    found = peak_of(air_c, 60.0)
    assert (found.peak_c[0], found.step[0]) == (20.2, 1.0)


def choice(scenario: Scenario, start_step: int | None, odds: float, lost_min: float = 10.0) -> Choice:
    return Choice(scenario, start_step, odds, 40.0, 22.0, 60, 40.0 - lost_min, lost_min)


def test_the_dial_is_left_alone_unless_it_gains_enough() -> None:
    keep, late = choice(Scenario(), 20, 0.95, lost_min=1.0), choice(Scenario(), 100, 0.95)
    lower, off = choice(Scenario(18.0, 10), 60, 0.95), choice(Scenario(float("nan"), 10), 55, 0.95)
    assert best_of([keep, lower], PACE, 60.0) is keep
    assert best_of([late, lower, off], PACE, 60.0) is lower
    assert best_of([choice(Scenario(), 65, 0.95), lower], PACE, 60.0).scenario == Scenario()
    unsure = choice(Scenario(17.0, 10), 60, 0.7)
    assert best_of([choice(Scenario(), 20, 0.3), unsure], PACE, 60.0) is unsure
    cold = choice(Scenario(), None, 0.0)
    assert best_of([cold], PACE, 60.0) is cold


def test_lower_settings_are_in_halves_and_nothing_can_be_done_to_an_unknown_heater() -> None:
    told = candidates(np.full(240, 20.0), 15.0, 60.0)
    assert told[0] == Scenario()
    assert Scenario(18.0, 10) in told
    assert candidates(np.full(240, np.nan), 15.0, 60.0) == (Scenario(),)


def test_a_programme_goes_by_the_sheds_clock_over_a_clock_change() -> None:
    """Dublin, 29 March 2026: 01:00 became 02:00, so local 08:00 came at 07:00 UTC (before: 08:00 UTC)."""
    programme = (14.0,) * 8 + (18.0,) * 16
    zone = ZoneInfo("Europe/Dublin")
    for day, hour in ((28, 8), (29, 7)):
        last = datetime(2026, 3, day, hour - 1, 0, tzinfo=UTC)
        one = {
            "keel.air_c": (np.array([int(last.timestamp()) * 1_000_000], dtype=np.int64), np.array([15.0]))
        }
        last_us = int(last.timestamp()) * 1_000_000
        past = past_on_grid(one, ("keel",), last_us - 60_000_000, last_us)
        ahead = programme_ahead(past, programme, zone, 120)
        assert ahead[58] == 14.0
        assert ahead[60] == 18.0


def test_a_hand_on_the_dial_holds_until_the_programme_changes() -> None:
    """Learned: 14 °C, from 08:00 on 18 °C; set by hand to 21 °C at 06:00: 21 until 08:00, then 18."""
    past = circuit_past(days=3)
    hours = (past.times_us // 60_000_000 % 1440) / 60.0
    setpoint_c = np.where((hours > 8.0) & (hours <= 20.0), 18.0, 14.0)
    past = replace(past, setpoint_c=setpoint_c).until(2 * 1440 + 7 * 60)
    by_hand = past.setpoint_c.copy()
    by_hand[-60:] = 21.0
    ahead = programme_ahead(replace(past, setpoint_c=by_hand), (), UTC, 240)
    assert set(ahead[:59]) == {21.0}
    assert ahead[90] == 18.0
    unheard = replace(past, setpoint_c=np.full(len(past), np.nan))
    assert np.isnan(programme_ahead(unheard, (), UTC, 10)).all()
