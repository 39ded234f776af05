"""The hours ahead of a shed whose heater has stopped: against an exact circuit, and the simulated tent."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from collector.clock import from_us, to_us
from forecast.climate_past import Array, ClimatePast
from forecast.climate_run import Weather, run, start_at_end
from forecast.heater_shed import HeaterSettings, ReadyShed, ready_shed
from forecast.heater_signs import sign_of
from forecast.heater_state import Sign
from forecast.outside_ahead import outside_ahead
from forecast.paths import PATHS, Forecast
from forecast.unheated import AHEAD_STEP_S, AHEAD_STEPS, STOPPED, Unheated, unheated
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.simulation import History
from tests.forecast.shed_data import BAYS, CIRCUIT, START, circuit_past, past_of, tent_history

DAY = 1440
EVERY = AHEAD_STEP_S // 60


def usual_of(past: ClimatePast, at: datetime, bays: tuple[str, ...] = BAYS) -> Forecast:
    """A forecast that knows of no trouble: 17 °C and 70 % in every bay."""
    step_us = AHEAD_STEP_S * 1_000_000
    times_us = to_us(at) // step_us * step_us + step_us * np.arange(1, AHEAD_STEPS + 1, dtype=np.int64)
    flat: Array = np.full((PATHS, AHEAD_STEPS), 17.0)
    paths = {(bay, quantity): flat for bay in bays for quantity in ("air_c", "part_c")}
    paths |= {(bay, "humidity_pct"): np.full((PATHS, AHEAD_STEPS), 70.0) for bay in bays}
    assert set(past.bays) <= set(bays)
    return Forecast(at, times_us, paths, ("a note",))


def test_a_circuit_solved_exactly_cools_as_it_is_told() -> None:
    """Matrix exponentials of steady minutes are the truth; learned from six days with the heater."""
    out_from, asked = 6 * DAY, 6 * DAY + 40
    whole = circuit_past(8, out_from=out_from)
    learned = ready_shed(whole.until(out_from), HeaterSettings(power_w=CIRCUIT["power_w"]))
    now = ReadyShed(learned.shed, whole.until(asked), learned.source)
    at = from_us(int(now.past.times_us[-1]))
    ahead = slice(asked + EVERY - 1, None, EVERY)
    none: Array = np.zeros((1, len(whole.out_c[ahead])))
    weather = Weather(600.0, whole.out_c[ahead][None], whole.sun_w_m2[ahead][None], none, none + 5.0)
    usual = usual_of(now.past, at, ("keel",))
    said = unheated(now, usual, weather, np.full(none.size, np.nan), at).left_off
    for quantity, rows in (("air_c", whole.air_c), ("part_c", whole.part_c)):
        true = np.interp(said.times_us / 1e6, whole.times_us / 1e6, rows[0])
        likely = said.quantile("keel", quantity, 0.5)
        for hours in (1, 3, 6, 12, 24):
            step = hours * 6 - 1
            assert likely[step] == pytest.approx(true[step], abs=0.7), (quantity, hours)
        assert likely[35] < 17.0 - 4.0


LEARNED_MIN = 7 * DAY
OUT_MIN = LEARNED_MIN + 22 * 60
ASKED_MIN = OUT_MIN + 45


@pytest.fixture(scope="module")
def night() -> tuple[ReadyShed, History, datetime]:
    """A tent of a week, whose flame goes out at ten in the evening and stays out for a day."""
    out_s = START.timestamp() + 60.0 * OUT_MIN
    scenario = Scenario((Event(Kind.HEATER_OUT, out_s, out_s + 86_400.0),), dropouts_per_day=0.0)
    history = tent_history(81, 9.5, scenario)
    past = past_of(history)
    learned = ready_shed(past.until(OUT_MIN, LEARNED_MIN), HeaterSettings(power_w=9000.0))
    ready = ReadyShed(learned.shed, past.until(ASKED_MIN, LEARNED_MIN), learned.source)
    return ready, history, from_us(int(ready.past.times_us[-1]))


def told(ready: ReadyShed, at: datetime, setpoint_c: float = 15.0) -> Unheated:
    weather = outside_ahead(ready.past.every(EVERY), AHEAD_STEPS, PATHS)
    return unheated(ready, usual_of(ready.past, at), weather, np.full(AHEAD_STEPS, setpoint_c), at)


@pytest.mark.slow
def test_a_tent_without_its_flame_is_told_to_go_cold_and_the_range_holds_it(
    night: tuple[ReadyShed, History, datetime],
) -> None:
    ready, history, at = night
    said = told(ready, at).left_off
    assert said.notes == (STOPPED, "a note")
    held = []
    for bay in BAYS:
        for quantity, near in (("air_c", 2.5), ("part_c", 2.5), ("humidity_pct", 12.0)):
            true = np.interp(said.times_us / 1e6, history.time_s, history.truth[f"{bay}.{quantity}"])
            low, likely, high = (said.quantile(bay, quantity, odds) for odds in (0.1, 0.5, 0.9))
            night_steps = slice(0, 8 * 6)
            assert np.abs(likely - true)[night_steps].mean() < near, (bay, quantity)
            held.append(np.mean((low <= true) & (true <= high)))
        assert said.quantile(bay, "part_c", 0.9)[6 * 6] < 15.0
    assert np.mean(held) > 0.6


@pytest.mark.slow
def test_lit_again_it_gets_as_warm_as_it_is_set_and_the_sooner_the_warmer(
    night: tuple[ReadyShed, History, datetime],
) -> None:
    ready, _, at = night
    relit = told(ready, at).relit
    moments = [moment for moment, _ in relit]
    assert moments == sorted(moments)
    assert timedelta(minutes=15) <= moments[0] - at < timedelta(hours=1)
    assert moments[-1] - at >= timedelta(hours=12)
    at_six = [float(np.median(one.paths["keel", "part_c"][:, 6 * 6])) for _, one in relit]
    assert at_six[0] == pytest.approx(15.0, abs=1.5)
    assert at_six[0] > at_six[len(at_six) // 2] > at_six[-1] - 1e-9
    assert at_six[0] - at_six[-1] > 3.0


@pytest.mark.slow
def test_when_it_may_be_lit_stays_the_same_as_minutes_pass(
    night: tuple[ReadyShed, History, datetime],
) -> None:
    ready, _, at = night
    later = at + timedelta(minutes=5)
    now, then = ({moment for moment, _ in told(ready, moment).relit} for moment in (at, later))
    assert len(now & then) >= len(now) - 2
    assert all(moment.minute in {0, 30} and moment.second == 0 for moment in now)


@pytest.mark.slow
def test_what_is_not_known_is_left_as_it_is(night: tuple[ReadyShed, History, datetime]) -> None:
    """No setting: nothing is said of a flame lit again. A bay that was not learned goes on as usual."""
    ready, _, at = night
    assert told(ready, at, np.nan).relit == ()
    unheard = replace(ready.shed.heat, error_k=np.where([True, False], np.nan, ready.shed.heat.error_k))
    half = replace(ready, shed=replace(ready.shed, heat=unheard))
    silent = BAYS[ready.shed.heat.order[0]]
    said = told(half, at).left_off
    assert (said.paths[silent, "air_c"] == 17.0).all()
    other = next(bay for bay in BAYS if bay != silent)
    assert said.paths[other, "air_c"][:, 36].max() < 17.0


@pytest.mark.slow
def test_water_stepped_coarsely_goes_as_it_does_stepped_finely(
    night: tuple[ReadyShed, History, datetime],
) -> None:
    """Bays that exchange their air within minutes: ten-minute steps are cut up, or humidity leaps about."""
    ready, _, _ = night
    start = start_at_end(ready.shed, ready.past, 1)
    rows = [np.full((1, 36), value) for value in (6.0, 0.0, 3.0, 6.5)]
    coarse = run(ready.shed, start, Weather(600.0, *rows), np.full(36, np.nan), longest_s=60.0)
    fine_rows = [np.full((1, 36 * 60), row[0, 0]) for row in rows]
    fine = run(ready.shed, start, Weather(10.0, *fine_rows), np.full(36 * 60, np.nan), longest_s=10.0)
    assert coarse.humidity_pct[:, 0] == pytest.approx(fine.humidity_pct[:, 0, 59::60], abs=2.5)
    assert coarse.air_c[:, 0] == pytest.approx(fine.air_c[:, 0, 59::60], abs=0.1)


@pytest.mark.slow
def test_sunshine_lights_nothing_and_a_flame_that_burns_again_is_told(
    night: tuple[ReadyShed, History, datetime],
) -> None:
    """The next noon warms the tent above its setting: there is still no flame. Burning ends it at once."""
    ready, history, _ = night
    past = past_of(history)
    noon = LEARNED_MIN + DAY + 14 * 60
    warm = replace(past.until(noon, LEARNED_MIN), setpoint_c=np.full(LEARNED_MIN, 9.0))
    warm.setpoint_c[: -10 * 60] = 14.5
    assert (warm.air_c[0, -30:] > 9.0).all()
    found = sign_of(ready.shed, warm)
    assert found.sign is Sign.HEATER_STOPPED
    since = START + timedelta(minutes=noon - LEARNED_MIN + found.step)
    out_at = datetime.fromtimestamp(START.timestamp() + 60.0 * OUT_MIN, UTC)
    assert out_at - timedelta(minutes=60) <= since <= out_at + timedelta(minutes=5)
    summer = replace(warm, setpoint_c=np.full(LEARNED_MIN, 2.0))
    assert sign_of(ready.shed, summer).sign is not Sign.HEATER_STOPPED
    lit = warm.with_burn(np.where(np.arange(len(warm)) >= len(warm) - 3, 1.0, warm.burn_share))
    assert sign_of(ready.shed, lit).sign is not Sign.HEATER_STOPPED
