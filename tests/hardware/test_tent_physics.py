"""The simulated shed's heat and water: balances that close, and limits that must hold by physics."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware.tent.heater import HeaterState
from hardware.tent.moist import saturation_kg_m3
from hardware.tent.parameters import AIR_J_M3_K, FLAME_WATER_KG_KG, HEATING_VALUE_J_KG, KEEL, SHEER, Tent
from hardware.tent.physics import (
    BayState,
    Controls,
    Ledger,
    State,
    settled,
    step,
    stored_energy_j,
    stored_water_kg,
)
from hardware.tent.simulation import Simulation
from hardware.tent.weather import Outdoor, steady

TENT = Tent()
START = datetime(2026, 10, 5, tzinfo=UTC)


@st.composite
def bays(draw: st.DrawFn, volume_m3: float) -> BayState:
    air_c = draw(st.floats(-5.0, 35.0))
    vapour_kg = saturation_kg_m3(air_c) * draw(st.floats(0.05, 1.05)) * volume_m3
    near = st.floats(-8.0, 8.0)
    part_c, mass_c, film_c = (air_c + draw(near) for _ in range(3))
    return BayState(
        air_c, part_c, mass_c, film_c, vapour_kg, draw(st.floats(0.0, 2.0)), draw(st.floats(0.0, 0.3))
    )


@st.composite
def sheds(draw: st.DrawFn) -> State:
    keel, sheer = draw(bays(KEEL.volume_m3)), draw(bays(SHEER.volume_m3))
    heater = HeaterState(draw(st.floats(0.0, 30.0)), draw(st.floats(0.0, 47.0)), draw(st.floats(0.0, 1e6)))
    return State(keel, sheer, heater)


@st.composite
def weathers(draw: st.DrawFn) -> Outdoor:
    air_c = draw(st.floats(-10.0, 30.0))
    humidity_pct = draw(st.floats(10.0, 100.0))
    vapour_kg_m3 = saturation_kg_m3(air_c) * humidity_pct / 100.0
    sun_w_m2, wind_m_s, cloud_share = draw(st.floats(0, 1000)), draw(st.floats(0, 20)), draw(st.floats(0, 1))
    return Outdoor(air_c, humidity_pct, vapour_kg_m3, sun_w_m2, wind_m_s, cloud_share, 10.0)


controls = st.builds(Controls, st.one_of(st.none(), st.floats(5.0, 30.0)), st.booleans(), st.booleans())


@settings(max_examples=200, deadline=None)
@given(sheds(), weathers(), controls)
def test_a_step_from_anywhere_loses_no_energy_and_no_water(
    shed: State, outdoor: Outdoor, now: Controls
) -> None:
    energy_j, water_kg = stored_energy_j(TENT, shed), stored_water_kg(shed)
    for _ in range(10):
        step(TENT, shed, outdoor, now, float(TENT.step_s))
    # rounding of sums near 1e8 J and 3 kg
    assert stored_energy_j(TENT, shed) - energy_j == pytest.approx(shed.ledger.energy_in_j(), abs=1.0)
    assert stored_water_kg(shed) - water_kg == pytest.approx(shed.ledger.water_in_kg(), abs=1e-9)


@settings(max_examples=200, deadline=None)
@given(sheds(), weathers(), controls)
def test_water_on_a_surface_and_in_the_air_never_turns_negative(
    shed: State, outdoor: Outdoor, now: Controls
) -> None:
    for _ in range(10):
        step(TENT, shed, outdoor, now, float(TENT.step_s))
        for bay in (shed.keel, shed.sheer):
            assert bay.vapour_kg > 0.0
            assert bay.film_water_kg >= 0.0
            assert bay.part_water_kg >= 0.0


@settings(max_examples=200, deadline=None)
@given(sheds(), weathers(), controls)
def test_dew_forms_on_the_part_only_where_it_is_colder_than_the_dew_point(
    shed: State, outdoor: Outdoor, now: Controls
) -> None:
    before = [
        (bay.part_water_kg, bay.vapour_kg / size.volume_m3 - saturation_kg_m3(bay.part_c))
        for bay, size in ((shed.keel, KEEL), (shed.sheer, SHEER))
    ]
    step(TENT, shed, outdoor, now, float(TENT.step_s))
    for bay, (water_kg, excess_kg_m3) in zip((shed.keel, shed.sheer), before, strict=True):
        assert (bay.part_water_kg > water_kg) == (excess_kg_m3 > 0.0) or bay.part_water_kg == water_kg


def test_energy_and_water_of_a_lived_week_close_to_a_millionth() -> None:
    shed = Simulation(TENT, START, seed=3)
    energy_j, water_kg = stored_energy_j(TENT, shed.state), stored_water_kg(shed.state)
    shed.advance((START + timedelta(days=7)).timestamp())
    ledger = shed.state.ledger
    burned_j = ledger.burned_kg * HEATING_VALUE_J_KG
    assert burned_j > 1e8
    change_j = stored_energy_j(TENT, shed.state) - energy_j
    assert change_j == pytest.approx(ledger.energy_in_j(), abs=1e-6 * burned_j)
    change_kg = stored_water_kg(shed.state) - water_kg
    assert change_kg == pytest.approx(ledger.water_in_kg(), abs=1e-6 * ledger.burned_kg * FLAME_WATER_KG_KG)


def test_with_the_heater_always_on_the_losses_take_up_its_power() -> None:
    """Steady state by hand: power = sum over bays of (film + leak) times the excess over outside, dry air."""
    keel, sheer = (
        replace(bay, part_film_w_k=0.0, mass_ground_w_k=0.0, wet_m2=0.0, mass_j_k=1e5)
        for bay in (KEEL, SHEER)
    )
    tent = replace(TENT, keel=keel, sheer=sheer, leak_calm_m3_s=0.25)
    outdoor = steady(0.0, 5.0)(0.0)
    shed = settled(tent, outdoor, gas_kg=1e3)
    for _ in range(4000):
        step(tent, shed, outdoor, Controls(60.0, door_open=False, vent_open=False), 20.0)
    lost_w = sum(
        (tent.film_loss_w_k(size, 0.0) + AIR_J_M3_K * tent.leak_m3_s(0.0) * size.leak_share) * bay.air_c
        for size, bay in ((keel, shed.keel), (sheer, shed.sheer))
    )
    assert shed.keel.film_water_kg == 0.0  # or latent heat would be missing in the sum above
    assert lost_w == pytest.approx(tent.heater.power_w, rel=1e-6)


def test_a_shed_as_warm_and_damp_as_outside_stays_so_at_night() -> None:
    outdoor = steady(12.0, 60.0)(0.0)
    dry_floor = replace(TENT, sheer=replace(SHEER, wet_m2=0.0))
    shed = settled(dry_floor, outdoor, gas_kg=10.0)
    for _ in range(200):
        step(dry_floor, shed, outdoor, Controls(None, door_open=True, vent_open=False), 20.0)
    assert shed.keel.air_c == pytest.approx(12.0, abs=1e-9)
    assert shed.sheer.vapour_kg == pytest.approx(outdoor.vapour_kg_m3 * SHEER.volume_m3, rel=1e-9)


def test_burned_gas_gives_its_heating_value_and_its_water() -> None:
    """1.634 kg of water per kg of propane from C3H8 + 5 O2: 4 x 18.015 / 44.097."""
    assert pytest.approx(4 * 18.015 / 44.097, abs=5e-4) == FLAME_WATER_KG_KG
    ledger = Ledger(burned_kg=2.0)
    assert ledger.water_in_kg() == pytest.approx(3.268)


def test_the_thermostat_overshoots_by_its_lags_and_holds_its_band() -> None:
    shed = Simulation(TENT, START, seed=1, weather=steady(5.0, 80.0))
    night = shed.record(START + timedelta(hours=6), step_s=60)
    excess_k = night.truth["keel.air_c"] - night.truth["heater.setpoint_c"]
    band_k = TENT.heater.hysteresis_k / 2
    assert excess_k.max() > band_k + 0.3
    assert excess_k.max() < band_k + 3.0
    assert excess_k.min() > -band_k - 3.0
    assert abs(excess_k.mean()) < 1.0


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ({"step_s": 7}, "step_s"),
        ({"heater": replace(TENT.heater, setpoint_c=(15.0,) * 23)}, "24 hours"),
        ({"keel": replace(KEEL, part_m2=-1.0)}, "keel.part_m2"),
        ({"keel": replace(KEEL, air_j_k=1e4)}, "shorten step_s"),
    ],
)
def test_a_tent_that_cannot_be_is_refused(wrong: dict[str, object], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        replace(TENT, **wrong)  # type: ignore[arg-type]  # each is one field's wrong value
