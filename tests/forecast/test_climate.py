"""The grey box: balances close, known constants are found, signs hold, and it says what it cannot know."""

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.climate import Heat, Ledger, Model, Outside, parts_of, scaled, step_heat
from forecast.climate_fit import ClimateFit, fit_climate
from forecast.climate_past import ClimatePast, past_on_grid
from forecast.climate_run import Course, Shed, Weather, run, start_at_end
from forecast.climate_water import Warmth, Water, WaterModel, fit_water, saturated_g_m3, step_water
from forecast.thermostat import measured_thermostat, sawtooth, usual_thermostat
from hardware.tent.parameters import Tent
from tests.forecast.shed_data import BAYS, CIRCUIT, circuit_past, past_of, tent_history

WITHIN = 0.20
"""The project's own bar for constants found again."""


def model_of(bays: int = 1, **given_constants: float) -> Model:
    """Return a shed of equal bays without weather of its own."""
    usual = dict.fromkeys((field.name for field in fields(Model)), 0.0)
    usual |= {"air_j_k": 400e3, "part_j_k": 300e3, "mass_j_k": 2e6, "casing_lag_s": 100.0, "power_w": 9000.0}
    usual |= {"heater_share": 1.0 / bays} | given_constants
    shed = {"power_w", "casing_lag_s", "sky_drop_k", "ground_c"}
    return Model(**{
        name: np.full((1,), value) if name in shed or name.startswith("mix_") else np.full((bays, 1), value)
        for name, value in usual.items()
    })  # fmt: skip


def heat_of(*air_c: float) -> Heat:
    air = np.array(air_c)[:, None]
    return Heat(air, air.copy(), air.copy(), np.zeros(1))


def test_air_alone_cools_as_the_textbook_exponential() -> None:
    """Newton's law of cooling: T = T0 exp(-t K / C); the explicit step errs by half its share of an hour."""
    model = model_of(out_w_k=100.0)
    heat = heat_of(20.0)
    for _ in range(3600):
        step_heat(model, heat, Outside(np.zeros(1), np.zeros(1), np.zeros(1)), np.zeros(1), 1.0)
    assert heat.air_c[0, 0] == pytest.approx(20.0 * np.exp(-3600.0 * 100.0 / 400e3), rel=2e-4)


constants = st.floats(0.0, 200.0)
temps = st.floats(-20.0, 40.0)


@settings(max_examples=40, deadline=None)
@given(
    start_c=st.lists(temps, min_size=1, max_size=3),
    loss=constants,
    between=constants,
    burn=st.floats(0.0, 1.0),
)
def test_heat_balances_close(start_c: list[float], loss: float, between: float, burn: float) -> None:
    model = model_of(
        len(start_c), out_w_k=loss, wind_j_m_k=loss / 10, part_air_w_k=between, part_out_w_k=loss / 9,
        part_mass_w_k=between / 5, mass_air_w_k=between, mass_ground_w_k=loss / 7, sun_air_m2=1.0,
        sun_part_m2=0.5, sun_mass_m2=2.0, mix_stable_w_k=between / 2, mix_unstable_w_k=between * 3,
        mix_burning_w_k=between / 9, ground_c=8.0,
    )  # fmt: skip
    heat, ledger = heat_of(*start_c), Ledger()
    before = stored_j(model, heat)
    for _ in range(50):
        outside = Outside(np.array([3.0]), np.array([300.0]), np.array([4.0]))
        step_heat(model, heat, outside, np.array([burn]), 20.0, ledger)
    change = stored_j(model, heat) - before
    assert change[0] == pytest.approx(np.ravel(ledger.total_j())[0], abs=1e-9 * np.abs(before).max() + 1e-3)


@settings(max_examples=60, deadline=None)
@given(
    vapour=st.floats(1.0, 25.0),
    wet=st.floats(0.0, 500.0),
    out_c=temps,
    air_c=temps,
    flame=st.floats(0.0, 1.0),
)
def test_water_balances_close_and_a_skin_dries_no_further_than_dry(
    vapour: float, wet: float, out_c: float, air_c: float, flame: float
) -> None:
    model = WaterModel(*(np.full((2, 1), value) for value in (45.0, 0.01, 0.002, 0.01, 0.2, 0.5)))
    water = Water(np.full((2, 1), vapour), np.full((2, 1), wet), np.zeros(1))
    before = stored_g(model, water)
    warmth = Warmth(
        np.array([[air_c], [air_c - 2.0]]), np.array([[air_c], [air_c]]), np.array([out_c]), np.array([3.0]),
        np.array([[flame], [flame / 2]]), np.array([[0.05]]),
    )  # fmt: skip
    for _ in range(60):
        step_water(model, water, warmth, saturated_g_m3(np.array([out_c])) * 0.8, 60.0)
    assert stored_g(model, water) - before == pytest.approx(water.came_in_g, rel=1e-9, abs=1e-6)
    assert (water.skin_g >= 0.0).all()


def stored_j(model: Model, heat: Heat) -> np.ndarray:
    """Return the heat in the shed above 0 °C, casing included [J]."""
    nodes = model.air_j_k * heat.air_c + model.part_j_k * heat.part_c + model.mass_j_k * heat.mass_c
    return np.asarray(nodes.sum(axis=0) + heat.casing_j)


def stored_g(model: WaterModel, water: Water) -> np.ndarray:
    """Return the water in the air and on the skin [g]."""
    return np.asarray((model.volume_m3 * water.vapour_g_m3 + water.skin_g).sum(axis=0))


def heat_loss_w_k(model: Model, wind_m_s: float) -> float:
    """Return what the whole shed loses to the outside per kelvin, by air and part [W/K]."""
    return float(np.sum(model.out_w_k + model.part_out_w_k + model.wind_j_m_k * wind_m_s))


def follows_s(model: Model, row: int = 0) -> float:
    """Return within what time a part follows what surrounds it [s]."""
    given_w_k = model.part_air_w_k + model.part_out_w_k + model.part_mass_w_k
    return float(np.ravel(model.part_j_k / given_w_k)[row])


def test_constants_of_a_circuit_solved_exactly_are_found() -> None:
    """No noise, no model error, the power known: each that temperatures can tell is within the bar.

    Of a part they tell how fast it follows, not how much it stores.
    """
    model = fit_climate(circuit_past(), CIRCUIT["power_w"]).model
    for name in ("air_j_k", "casing_lag_s", "mass_air_w_k"):
        assert float(np.ravel(getattr(model, name))[0]) == pytest.approx(CIRCUIT[name], rel=WITHIN), name
    assert heat_loss_w_k(model, 0.0) == pytest.approx(
        CIRCUIT["out_w_k"] + CIRCUIT["part_out_w_k"], rel=WITHIN
    )
    true_w_k = CIRCUIT["part_air_w_k"] + CIRCUIT["part_out_w_k"] + CIRCUIT["part_mass_w_k"]
    assert follows_s(model) == pytest.approx(CIRCUIT["part_j_k"] / true_w_k, rel=WITHIN)


@pytest.mark.slow
def test_constants_of_the_simulated_tent_are_found() -> None:
    """Its own parameters are the truth, as the mean of two of its lives.

    The loss is that of dry film, leaks and part. The lag seen is the thermostat's and the air sensor's
    together (45 s in hardware/tent/sensors.py).
    """
    tent, losses, stores, lags, bands = Tent(), [], [], [], []
    for seed in (41, 42):
        past = past_of(tent_history(seed))
        fit, thermostat = fit_climate(past, tent.heater.power_w), measured_thermostat(past)
        wind_m_s = float(np.nanmean(past.wind_m_s))
        true_w_k = tent.heat_loss_w_k(wind_m_s) + tent.keel.part_film_w_k + tent.sheer.part_film_w_k
        losses.append(heat_loss_w_k(fit.model, wind_m_s) / true_w_k)
        stores.append(float(fit.model.air_j_k[fit.order.index(0), 0]) / tent.keel.air_j_k)
        assert past.bays[thermostat.place] == "keel"
        lags.append(thermostat.lag_s / (tent.heater.sensor_lag_s + 45.0))
        bands.append(thermostat.band_k / tent.heater.hysteresis_k)
    for found in (losses, stores, lags, bands):
        assert np.mean(found) == pytest.approx(1.0, abs=WITHIN), (losses, stores, lags, bands)


def noise_past(seed: int) -> ClimatePast:
    """Return readings that no shed gave."""
    random = np.random.default_rng(seed)
    count = 1440
    rows = random.normal(15.0, 8.0, (5, count))
    return ClimatePast(
        60, 60_000_000 * np.arange(1, count + 1, dtype=np.int64), BAYS, rows[:2], rows[2:4],
        random.uniform(20, 100, (2, count)), rows[4],
        random.uniform(20, 100, count), random.uniform(0, 900, count), random.uniform(0, 15, count),
        random.uniform(0, 1, count), rows[0], rows[1],
    )  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2])
def test_signs_hold_whatever_was_measured(seed: int) -> None:
    fit = fit_climate(noise_past(seed), 9000.0)
    for field in fields(Model):
        values = getattr(fit.model, field.name)
        assert np.isfinite(values).all(), field.name
        assert field.name == "ground_c" or (values > 0.0).all(), field.name
    assert fit.model.heater_share.sum() == pytest.approx(1.0)


def without(past: ClimatePast, *names: str) -> ClimatePast:
    return replace(past, **{name: np.full_like(getattr(past, name), np.nan) for name in names})


def test_what_cannot_be_known_is_said_and_nothing_crashes() -> None:
    past = circuit_past(days=2)
    for names, words in (
        (("burn_share",), "nothing says when the heater runs"),
        (("out_c",), "nothing from outdoors"),
        (("sun_w_m2",), "no sunshine was measured"),
        (("wind_m_s",), "no wind was measured"),
        (("part_c",), "no probe on the part in keel"),
        (("air_c", "part_c", "out_c", "burn_share"), "too little was measured"),
    ):
        fit = fit_climate(without(past, *names), 9000.0)
        assert any(words in line for line in fit.unknown), (names, fit.unknown)
    still = replace(past, air_c=np.full_like(past.air_c, 17.0))
    assert any("has not moved at all" in line for line in fit_climate(still, 9000.0).unknown)
    assert any("power is not known" in line for line in fit_climate(past, None).unknown)
    holes = past.air_c.copy()
    holes[:, 500:900] = np.nan
    assert np.isfinite(fit_climate(replace(past, air_c=holes), 9000.0).error_k).all()


def test_one_reading_is_any_poly_tent() -> None:
    one = {"keel.air_c": (np.array([0], dtype=np.int64), np.array([18.0]))}
    fit = fit_climate(past_on_grid(one, ("keel",), -60_000_000, 0), None)
    assert 50.0 < heat_loss_w_k(fit.model, 3.0) < 500.0
    assert "too little" in fit.unknown[0]


def test_a_past_shorter_than_a_step_is_refused() -> None:
    with pytest.raises(ValueError, match="a past of 59 s is shorter than a step of 60 s"):
        past_on_grid({}, ("keel",), 0, 59_000_000)


def test_a_power_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="power_w must be above 0"):
        fit_climate(circuit_past(days=1), 0.0)
    with pytest.raises(ValueError, match="no such constants"):
        scaled(model_of(), draught=2.0)


def shed_of(past: ClimatePast, fit: ClimateFit) -> Shed:
    return Shed(fit, fit_water(past, fit, unvented=True), measured_thermostat(past, 0), unvented=True)


def course(shed: Shed, past: ClimatePast, setpoint_c: float, hours: int = 4) -> Course:
    steps = hours * 60
    sky = Weather(60.0, *(np.full((1, steps), value) for value in (5.0, 0.0, 2.0, 5.0)))
    return run(shed, start_at_end(shed, past, 2), sky, np.full(steps, setpoint_c))


def test_scenarios_of_the_heater_step_as_they_are_told() -> None:
    """Off falls towards outdoors; a setting is held within its swing; left on climbs above it."""
    past = circuit_past(days=3)
    shed = shed_of(past, fit_climate(past, 9000.0))
    off, held, left_on = (course(shed, past, setting) for setting in (np.nan, 18.0, np.inf))
    assert off.burn_share.max() == 0.0
    assert (np.diff(off.air_c[0, 0, 60:]) <= 0.0).all()
    assert left_on.burn_share.min() == 1.0
    late = held.air_c[0, 0, -60:]
    assert 17.0 < late.mean() < 19.5
    assert off.air_c[0, 0, -1] < late.mean() < left_on.air_c[0, 0, -1]


def test_an_unvented_flame_wets_the_air() -> None:
    past = replace(circuit_past(days=3), humidity_pct=np.full((1, 3 * 1440), 60.0))
    vented = shed_of(past, fit_climate(past, 9000.0))
    vented = replace(vented, unvented=False)
    unvented = replace(vented, unvented=True)
    assert (
        course(unvented, past, 18.0).humidity_pct[0, 0, -1]
        > course(vented, past, 18.0).humidity_pct[0, 0, -1] + 2.0
    )


def test_steps_are_cut_so_that_the_fastest_node_follows() -> None:
    model = model_of(out_w_k=100.0)
    assert parts_of(model, 60.0) == 3
    assert parts_of(scaled(model, air_j_k=0.002), 60.0) > 10


def test_the_heater_is_read_from_the_swing_of_the_air_where_nothing_else_tells() -> None:
    """Against the heater's own column in the simulated tent: burning is told right nine minutes in ten."""
    past = past_of(tent_history(3))
    found = sawtooth(replace(past, burn_share=np.full(len(past), np.nan)))
    assert found is not None
    burn, middle_c, place = found
    assert past.bays[place] == "keel"
    both = np.isfinite(burn) & np.isfinite(past.burn_share)
    assert np.mean((burn[both] > 0.5) == (past.burn_share[both] > 0.5)) > 0.85
    assert np.nanmedian(np.abs(middle_c - past.setpoint_c)) < 1.5


def test_a_still_shed_has_no_saw_tooth_and_a_usual_thermostat() -> None:
    past = replace(circuit_past(days=1), air_c=np.full((1, 1440), 17.0))
    assert sawtooth(past) is None
    assert measured_thermostat(past) == usual_thermostat(0)
