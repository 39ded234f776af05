"""Two weeks of the simulated shed: repeatable, plausible, and broken on command."""

import gzip
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from hardware.tent import moist
from hardware.tent.parameters import HEATING_VALUE_J_KG, Climate, Tent
from hardware.tent.scenario import Event, Kind, Scenario, parse_event, parse_scenario
from hardware.tent.sensors import CHANNELS
from hardware.tent.simulation import History, Simulation, simulate, write_csv
from hardware.tent.weather import _clear_sky_w_m2, _sin_elevation, generated

START = datetime(2026, 10, 5, tzinfo=UTC)
QUIET = Scenario(dropouts_per_day=0.0)
TENT = Tent()


@pytest.fixture(scope="module")
def fortnight() -> History:
    return simulate(TENT, START, START + timedelta(days=14), seed=1)


def _broken(text: str, lasts: timedelta = timedelta(hours=6), start: datetime = START) -> History:
    scenario = parse_scenario([text], start, dropouts_per_day=0.0)
    return simulate(TENT, start, start + lasts, 60, seed=1, scenario=scenario)


def _margin_k(history: History, bay: str) -> NDArray[np.float64]:
    air_c, humidity_pct = history.truth[f"{bay}.air_c"], history.truth[f"{bay}.humidity_pct"]
    dew_c = [moist.dew_point_c(*pair) for pair in zip(air_c.tolist(), humidity_pct.tolist(), strict=True)]
    return np.asarray(history.truth[f"{bay}.part_c"] - dew_c, dtype=np.float64)


# repeatable


def test_the_same_seed_writes_the_same_bytes_and_another_does_not(tmp_path: Path) -> None:
    written = []
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        history = simulate(TENT, START, START + timedelta(hours=12), seed=seed)
        write_csv(tmp_path / name, history.time_s, history.reported)
        written.append((tmp_path / name).read_bytes())
    assert written[0] == written[1]
    assert written[0] != written[2]


def test_a_past_and_a_present_with_one_seed_join_up() -> None:
    """The shed forgets its first guess within the three days it lives before its start."""
    later = START + timedelta(days=5)
    long = Simulation(TENT, START, 4, QUIET)
    long.advance(later.timestamp())
    fresh = Simulation(TENT, later, 4, QUIET)
    assert fresh.truth()["outdoor.air_c"] == pytest.approx(long.truth()["outdoor.air_c"], abs=1e-9)
    assert fresh.truth()["sheer.air_c"] == pytest.approx(long.truth()["sheer.air_c"], abs=1.0)


def test_a_history_goes_on_as_if_it_had_not_been_interrupted() -> None:
    whole = simulate(TENT, START, START + timedelta(hours=4), seed=2)
    shed = Simulation(TENT, START, 2)
    first, second = (shed.record(START + timedelta(hours=h)) for h in (2, 4))
    joined = np.concatenate([first.reported["keel.air_c"], second.reported["keel.air_c"]])
    np.testing.assert_array_equal(joined, whole.reported["keel.air_c"])


def test_the_csv_has_a_time_and_a_column_per_channel_and_gaps_are_empty(tmp_path: Path) -> None:
    history = _broken("dropout:keel.part_c@0s+1h", timedelta(hours=2))
    write_csv(tmp_path / "shed.csv.gz", history.time_s, history.reported)
    lines = gzip.decompress((tmp_path / "shed.csv.gz").read_bytes()).decode().splitlines()
    assert lines[0] == ",".join(["time", *CHANNELS])
    assert lines[1].startswith("2026-10-05T00:00:00Z,")
    column = 1 + CHANNELS.index("keel.part_c")
    assert lines[1].split(",")[column] == ""
    assert float(lines[-1].split(",")[column]) == pytest.approx(
        history.reported["keel.part_c"][-1], abs=0.005
    )


# plausible


def test_humidity_stays_between_0_and_100(fortnight: History) -> None:
    for arrays in (fortnight.truth, fortnight.reported):
        for bay in ("keel", "sheer", "outdoor"):
            humidity_pct = arrays[f"{bay}.humidity_pct"]
            assert np.nanmin(humidity_pct) > 0.0
            assert np.nanmax(humidity_pct) <= 100.0


def test_high_up_is_warmer_than_low_down_most_of_all_on_cold_nights(fortnight: History) -> None:
    warmer_k = fortnight.truth["keel.air_c"] - fortnight.truth["sheer.air_c"]
    cold_night = (fortnight.time_s // 3600 % 24 < 6) & (fortnight.truth["outdoor.air_c"] < 8.0)
    assert warmer_k.mean() > 0.5
    assert 2.0 < warmer_k[cold_night].mean() < 8.0


@pytest.mark.parametrize("bay", ["keel", "sheer"])
def test_the_part_lags_the_air(fortnight: History, bay: str) -> None:
    air_c, part_c = fortnight.truth[f"{bay}.air_c"], fortnight.truth[f"{bay}.part_c"]
    fits = [np.corrcoef(air_c[24 - lag : -24 - lag], part_c[24:-24])[0, 1] for lag in range(-12, 13)]
    assert np.argmax(fits) - 12 > 0


def test_the_gas_burned_is_about_what_the_losses_need(fortnight: History) -> None:
    """Between a third (sun and slab give the rest) and all of film and leak losses at the mean excess."""
    gas_kg = fortnight.truth["heater.gas_kg"]
    used_kg = -np.minimum(np.diff(gas_kg), 0.0).sum()
    inside_c = (fortnight.truth["keel.air_c"] + fortnight.truth["sheer.air_c"]) / 2
    excess_k = (inside_c - fortnight.truth["outdoor.air_c"]).mean()
    needed_j = TENT.heat_loss_w_k(fortnight.truth["outdoor.wind_m_s"].mean()) * excess_k * 14 * 86_400
    assert 0.33 < used_kg * HEATING_VALUE_J_KG / needed_j < 1.0


def test_some_daylight_is_fit_to_glass_and_some_is_not(fortnight: History) -> None:
    """Air and part 16-30 °C, humidity at most 75 %, margin at least 3 K: the demo needs both verdicts."""
    hour = fortnight.time_s // 3600 % 24
    day = (hour >= 7) & (hour < 18)
    fit = {}
    for bay in ("keel", "sheer"):
        air_c, part_c = fortnight.truth[f"{bay}.air_c"], fortnight.truth[f"{bay}.part_c"]
        warm = (air_c >= 16) & (air_c <= 30) & (part_c >= 16) & (part_c <= 30)
        dry = (fortnight.truth[f"{bay}.humidity_pct"] <= 75.0) & (_margin_k(fortnight, bay) >= 3.0)
        fit[bay] = (warm & dry)[day].mean()
    assert 0.25 < fit["keel"] < 0.5
    assert 0.02 < fit["sheer"] < fit["keel"]


def test_the_margin_is_thinner_before_dawn_than_after_noon_and_dew_falls_now_and_then(
    fortnight: History,
) -> None:
    margin_k, hour = _margin_k(fortnight, "keel"), fortnight.time_s // 3600 % 24
    assert margin_k[(hour >= 4) & (hour < 7)].mean() < margin_k[(hour >= 12) & (hour < 15)].mean() - 2.0
    assert 0.0 < (margin_k < 0.0).mean() < 0.05


def test_sensors_are_near_the_truth_but_not_it(fortnight: History) -> None:
    error_k = fortnight.reported["keel.air_c"] - fortnight.truth["keel.air_c"]
    assert 0.0 < np.nanstd(error_k) < 0.3
    assert abs(np.nanmean(error_k)) < 0.4
    probe_c = fortnight.reported["keel.part_c"]
    assert np.nanmax(np.abs(probe_c * 16 - np.round(probe_c * 16))) < 1e-9  # a DS18B20 counts in 1/16 °C


# weather


def test_noon_sun_stands_as_high_as_latitude_and_season_say() -> None:
    """90 - 53 = 37 degrees at the equinoxes, 23.44 more at midsummer; Cooper is a degree off at most."""
    climate, hours = Climate(latitude_deg=53.0), np.arange(0.0, 24.0, 0.1)
    for day_of_year, height_deg in ((79.5, 37.0), (172.0, 60.4), (355.0, 13.6)):
        sines = _sin_elevation(climate, np.full(240, day_of_year), hours)
        assert math.degrees(math.asin(sines.max())) == pytest.approx(height_deg, abs=1.0)


def test_clear_sky_follows_haurwitz() -> None:
    """By hand from 1098 cos z exp(-0.059 / cos z): 1035.1 at zenith, 487.9 at 60 degrees, 0 at night."""
    got = _clear_sky_w_m2(np.array([1.0, 0.5, -0.1]))
    np.testing.assert_allclose(got, [1035.1, 487.9, 0.0], atol=0.05)


def test_weather_keeps_to_what_can_be_over_a_year() -> None:
    weather = generated(Climate(), 9)
    rows = [weather(1.767e9 + 3600.0 * 13 * i) for i in range(670)]
    assert all(-15.0 < row.air_c < 35.0 for row in rows)
    assert all(10.0 < row.humidity_pct <= 100.0 for row in rows)
    assert all(0.0 <= row.sun_w_m2 < 1000.0 and row.wind_m_s > 0.0 for row in rows)
    assert np.mean([row.air_c for row in rows]) == pytest.approx(Climate().mean_c, abs=1.5)


# broken on command


def test_heater_out_goes_cold_and_comes_back() -> None:
    history = _broken("heater-out@1h+3h")
    on, air_c = history.truth["heater.on"], history.truth["keel.air_c"]
    assert on[60:240].max() == 0.0
    assert on[240:].max() == 1.0
    assert air_c[239] < air_c[59] - 2.0


def test_heater_off_lasts_until_the_end_if_no_length_is_given() -> None:
    assert _broken("heater-off@1h").truth["heater.on"][60:].max() == 0.0


def test_a_setpoint_by_hand_overrides_the_programme() -> None:
    history = _broken("setpoint=21@1h+3h")
    assert set(history.reported["heater.setpoint_c"][60:240]) == {21.0}
    assert history.truth["keel.air_c"][120:240].mean() == pytest.approx(21.0, abs=1.0)
    assert history.reported["heater.setpoint_c"][-1] == TENT.heater.setpoint_c[5]


def test_an_empty_bottle_stops_the_heater_until_work_begins() -> None:
    history = _broken("gas-empty@1h", timedelta(hours=9))
    assert history.truth["heater.gas_kg"][61:421].max() == 0.0
    assert history.truth["heater.on"][61:421].max() == 0.0
    assert history.truth["heater.gas_kg"][422] > 40.0
    assert history.truth["heater.on"][421:].max() == 1.0


def test_an_open_door_lets_the_cold_in() -> None:
    shut, opened = _broken("wet:keel@0s"), _broken("door-open@1h")
    assert opened.truth["door.open"][61:].min() == 1.0
    assert (shut.truth["sheer.air_c"] - opened.truth["sheer.air_c"])[120:].mean() > 1.0


def test_a_dropout_silences_a_node_or_one_sensor() -> None:
    node = _broken("dropout:sheer@1h+1h").reported
    assert np.isnan(node["sheer.air_c"][60:120]).all()
    assert np.isnan(node["sheer.part_c"][60:120]).all()
    assert not np.isnan(node["sheer.air_c"][120:]).any()
    assert not np.isnan(node["keel.air_c"]).any()
    sensor = _broken("dropout:sheer.part_c@1h+1h").reported
    assert np.isnan(sensor["sheer.part_c"][60:120]).all()
    assert not np.isnan(sensor["sheer.air_c"]).any()


def test_a_stuck_sensor_repeats_its_last_value() -> None:
    stuck_c = _broken("stuck:keel.air_c@1h+2h").reported["keel.air_c"]
    assert set(stuck_c[60:180]) == {stuck_c[59]}
    assert len(set(stuck_c[180:])) > 50


def test_a_wet_sensor_is_pinned_at_100() -> None:
    history = _broken("wet:keel@1h+1h")
    assert set(history.reported["keel.humidity_pct"][60:120]) == {100.0}
    assert history.truth["keel.humidity_pct"][60:120].max() < 100.0
    assert history.reported["keel.humidity_pct"][130] < 99.0


def test_nodes_drop_out_by_themselves_now_and_then() -> None:
    often = Scenario(dropouts_per_day=2.0)
    history = simulate(TENT, START, START + timedelta(days=4), seed=8, scenario=often)
    silent = np.isnan(history.reported["keel.air_c"])
    assert 0.005 < silent.mean() < 0.4
    assert not np.isnan(_broken("wet:keel@0s").reported["sheer.air_c"]).any()


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("heater-out", "KIND"),
        ("explode@2h", "KIND is one of"),
        ("setpoint@2h", "needs a value"),
        ("stuck@2h", "say which"),
        ("door-open@2h+0s", "ends before it starts"),
    ],
)
def test_an_event_that_makes_no_sense_is_refused_with_what_to_write(text: str, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        parse_event(text, START)


def test_of_two_events_the_later_one_holds() -> None:
    scenario = Scenario((Event(Kind.SETPOINT, 0.0, 9.0, "", 15.0), Event(Kind.SETPOINT, 5.0, 7.0, "", 20.0)))
    dials = [scenario.active(Kind.SETPOINT, t_s) for t_s in (4.0, 6.0, 8.0, 9.0)]
    assert [dial and dial.value_c_or_s for dial in dials] == [15.0, 20.0, 15.0, None]


def test_a_shed_does_not_run_backwards() -> None:
    shed = Simulation(TENT, START, 1)
    with pytest.raises(ValueError, match="cannot go back"):
        shed.advance(START.timestamp() - 60.0)


def test_a_start_without_offset_is_refused() -> None:
    with pytest.raises(ValueError, match="no UTC offset"):
        Simulation(TENT, datetime(2026, 10, 5), 1)  # noqa: DTZ001  the mistake under test
