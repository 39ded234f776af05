"""The answers of a shed whose heater gives more or less: its peak is learned, and no setting is tried."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from collector.clock import from_us
from collector.config import Config
from collector.domain import Reading
from collector.journal_book import EMPTY
from collector.store.memory import MemoryStore
from dashboards.heater_view import heater_lines
from dashboards.view import Reader
from forecast import heater_keeper as module
from forecast.card_files import find_card
from forecast.climate_past import Array, ClimatePast
from forecast.climate_run import Weather
from forecast.fuel import HoursAhead
from forecast.heater import heater_outlook
from forecast.heater_keeper import HeaterKeeper
from forecast.heater_near import DEAF, LEARNED, YOUNG, near_of
from forecast.heater_reading import Asked, HeaterPast, heater_of_store
from forecast.heater_shed import Coming, HeaterSettings, Part, PotPlan, ReadyShed, ready_shed
from forecast.heater_state import Action, Running, Sign
from forecast.resin import gel_surface
from tests.forecast.pipe_shed import END, pipe_past, programme_c

_SETTINGS = HeaterSettings("keel", "electric", unvented=False)
_DULL = HoursAhead(*(np.full(72, value) for value in (6.0, 50.0, 3.0, 15.0)))
_RISE = END + timedelta(hours=1)


def _coming() -> Coming:
    hours = END.timestamp() / 3600.0 + np.arange(1, 241) / 60.0
    return Coming(programme_c(hours), None, _DULL)


def _by_minutes(past: ClimatePast) -> ClimatePast:
    """Return a past of five-minute steps as one of minutes."""
    at_us = past.times_us[0] + 60_000_000 * np.arange(5 * len(past) - 4)

    def finer(row: Array) -> Array:
        return np.interp(at_us, past.times_us, row) if np.isfinite(row).all() else np.full(len(at_us), np.nan)

    return ClimatePast(
        60, at_us, past.bays,
        finer(past.air_c[0])[None], finer(past.part_c[0])[None], finer(past.humidity_pct[0])[None],
        finer(past.out_c), finer(past.out_humidity_pct), finer(past.sun_w_m2), finer(past.wind_m_s),
        finer(past.burn_share), finer(past.setpoint_c), finer(past.pipe_c),
    )  # fmt: skip


@pytest.fixture(scope="module")
def ready() -> ReadyShed:
    past = pipe_past(14.0)
    minutes = _by_minutes(past)
    shed = ready_shed(minutes.until(len(minutes), 3 * 1440), _SETTINGS)
    return replace(shed, near=near_of(past, "keel", _coming()))


def test_the_peak_comes_after_the_programme_goes_up_and_the_pipe_is_told(ready: ReadyShed) -> None:
    found = heater_outlook(ready, _SETTINGS, _coming(), END)
    assert ready.source == "pipe"
    assert found.overshoot is not None
    assert found.overshoot.peak_low_c <= found.overshoot.peak_c <= found.overshoot.peak_high_c
    assert _RISE + timedelta(minutes=20) <= found.overshoot.peak_at <= END + timedelta(hours=2)
    assert found.advice.action is Action.KEEP
    assert LEARNED in found.notes
    lines = list(heater_lines(found, Reader()))
    assert any(line.startswith("Heater: pipe at ") for line in lines)
    assert any("As it runs the air " in line for line in lines)
    assert not any("unvented" in line or "kW" in line for line in lines)


def test_a_pot_is_reckoned_on_the_courses_learned_and_no_setting_is_advised(ready: ReadyShed) -> None:
    card = find_card("generic-vinyl-ester")
    pot = PotPlan(card, gel_surface(card, [], ""), 1.5, plan_c=10.0)
    found = heater_outlook(ready, _SETTINGS, _coming(), END, pot=pot)
    assert found.work is not None
    assert found.work.mix_at >= _RISE + timedelta(minutes=10)  # when the air has got warm
    assert found.work.lost_min > 5.0
    assert found.advice.action in {Action.KEEP, Action.WAIT}
    assert found.advice.setpoint_c is None
    assert found.advice.mix_at is not None


@pytest.mark.parametrize(("target_c", "mixed"), [(16.5, "never"), (8.0, "soon")])
def test_a_pot_is_not_advised_on_a_part_that_stays_too_cold(
    ready: ReadyShed, target_c: float, mixed: str
) -> None:
    """Part and air are at 9 °C, and a pot planned for that lasts as planned: the part alone decides."""
    card = find_card("generic-vinyl-ester")
    pot = PotPlan(card, gel_surface(card, [], ""), 1.5, plan_c=9.2)
    probed = replace(ready, past=replace(ready.past, part_c=np.full_like(ready.past.air_c, 9.0)))
    found = heater_outlook(probed, _SETTINGS, _coming(), END, pot=pot, part=Part(target_c))
    assert (found.advice.mix_at is None) is (mixed == "never")
    assert found.advice.action in ({Action.WAIT} if mixed == "never" else {Action.KEEP, Action.WAIT})


def test_a_pipe_that_is_no_longer_heard_gives_no_news(ready: ReadyShed) -> None:
    pipe = ready.past.pipe_c.copy()
    pipe[-40:] = np.nan
    found = heater_outlook(replace(ready, past=replace(ready.past, pipe_c=pipe)), _SETTINGS, _coming(), END)
    assert found.advice.action is Action.NO_NEWS
    assert DEAF in found.notes


def test_what_was_learned_without_a_forecast_is_learned_anew_once_there_is_one(ready: ReadyShed) -> None:
    heard, later = HeaterPast(ready.past, {}, pipe_past(14.0)), _coming()
    assert module._continued(ready, heard, later) is not None
    sky = Weather(60.0, *(np.full((1, 240), value) for value in (6.0, 0.0, 3.0, 6.0)))
    assert module._continued(ready, heard, replace(later, weather=sky)) is None
    assert module._continued(ready, replace(heard, near=None), later) is None


def test_until_a_week_was_heard_the_peak_is_not_told(ready: ReadyShed) -> None:
    young = replace(ready, near=near_of(pipe_past(5.0), "keel", _coming()))
    found = heater_outlook(young, _SETTINGS, _coming(), END)
    assert found.advice.action is Action.NO_NEWS
    assert found.overshoot is None
    assert YOUNG in found.notes


def test_a_pipe_that_has_gone_cold_under_a_cold_bay_is_a_heater_that_stopped(ready: ReadyShed) -> None:
    past = ready.past
    cold, pipe = past.air_c.copy(), past.pipe_c.copy()
    pipe[-45:] = cold[0, -45:] = np.linspace(9.0, 6.0, 45)
    found = heater_outlook(
        replace(ready, past=replace(past, air_c=cold, pipe_c=pipe)), _SETTINGS, _coming(), END
    )
    assert found.sign is Sign.HEATER_STOPPED
    assert found.now.running is Running.STOPPED
    assert found.sign_since is not None
    assert timedelta(minutes=30) <= END - found.sign_since <= timedelta(minutes=60)


def _store(days: float, end: datetime = END) -> MemoryStore:
    past, store = pipe_past(days, end=end), MemoryStore()
    columns = {
        "keel.air_c": past.air_c[0],
        "heater.pipe_c": past.pipe_c,
        "heater.setpoint_c": past.setpoint_c,
        "outdoor.air_c": past.out_c,
    }
    for name, values in columns.items():
        at = [from_us(int(at_us)) for at_us in past.times_us]
        store.add([
            Reading(name, when, float(value), when) for when, value in zip(at, values, strict=True)
        ])  # fmt: skip
    return store


def test_from_a_store_a_pipe_is_enough(store: MemoryStore) -> None:
    config = Config()
    found = heater_of_store(store, config.heater, config.shed.zone, END, Asked())
    assert found.now.source == "pipe"
    assert found.now.pipe_c is not None
    assert found.overshoot is not None
    assert found.warm_up is None


@pytest.fixture(scope="module")
def store() -> MemoryStore:
    return _store(14.2, END + timedelta(minutes=20))


def test_it_is_learned_once_and_goes_on_with_the_newest_past(
    store: MemoryStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    learned = []

    def counted(past: ClimatePast, settings: HeaterSettings) -> ReadyShed:
        learned.append(len(past))
        return ready_shed(past, settings)

    monkeypatch.setattr(module, "ready_shed", counted)
    keeper = HeaterKeeper(Config(), ())
    first = keeper.look(store, END, EMPTY)
    later = keeper.look(store, END + timedelta(minutes=10), EMPTY)
    assert first is not None
    assert later is not None
    assert first.overshoot is not None
    assert later.overshoot is not None
    assert later.overshoot.peak_c != first.overshoot.peak_c
    assert len(learned) == 1
