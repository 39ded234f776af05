"""The heater asked about again and again: learned once, with the newest past each time."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from collector.clock import EPOCH, from_us, to_us
from collector.config import Config
from collector.domain import Reading
from collector.journal_book import EMPTY
from collector.store.memory import MemoryStore
from forecast import heater_keeper as module
from forecast.climate_past import ClimatePast
from forecast.forecaster import forecast
from forecast.heater_keeper import HeaterKeeper
from forecast.heater_shed import HeaterSettings, ReadyShed, ready_shed
from forecast.heater_state import Sign
from forecast.outlook_json import dump_outlook, load_outlook
from forecast.outlook_maker import make_outlook, shed_of
from forecast.past import read_store
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.simulation import Simulation, simulate
from tests.forecast.shed_data import BAYS, START, series_of

AT = datetime(2026, 4, 11, 13, 0, tzinfo=UTC)
SHED = shed_of(Config(), ())


@pytest.fixture(scope="module")
def tent() -> MemoryStore:
    """A day and a half of the simulated tent, a reading a minute, and half an hour beyond `AT`."""
    past = Simulation(Tent(), AT - timedelta(hours=36), 11).record(AT + timedelta(minutes=30), 60)
    store = MemoryStore()
    for name, values in past.reported.items():
        times = [EPOCH + timedelta(seconds=second) for second in past.time_s.tolist()]
        store.add(
            [
                Reading(name, at, value, at)
                for at, value in zip(times, values.tolist(), strict=True)
                if value == value  # noqa: PLR0124  NaN is a silent sensor
            ]
        )
    return store


def test_it_learns_once_and_goes_on_with_the_newest_past(
    tent: MemoryStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    learned: list[datetime] = []

    def counted(past: ClimatePast, settings: HeaterSettings) -> ReadyShed:
        learned.append(AT)
        return ready_shed(past, settings)

    monkeypatch.setattr(module, "ready_shed", counted)
    keeper = HeaterKeeper(Config(), ())
    first = keeper.look(tent, AT, EMPTY)
    later = keeper.look(tent, AT + timedelta(minutes=10), EMPTY)
    assert first is not None
    assert later is not None
    assert (first.at, later.at) == (AT, AT + timedelta(minutes=10))
    assert first.overshoot is not None
    assert first.overshoot.peak_at > AT
    assert len(learned) == 1
    monkeypatch.setattr(module, "RELEARN", timedelta(minutes=5))
    keeper.look(tent, AT + timedelta(minutes=20), EMPTY)
    assert len(learned) == 2


def test_the_outlook_carries_it_in_its_thermostats_bay_while_it_is_fresh(tent: MemoryStore) -> None:
    heater = HeaterKeeper(Config(), ()).look(tent, AT, EMPTY)
    assert heater is not None
    outlook = make_outlook(tent, SHED, AT, heater=heater)
    assert [bay.bay for bay in outlook.bays if bay.heater is not None] == [heater.bay]
    assert load_outlook(dump_outlook(outlook)) == outlook
    late = make_outlook(tent, SHED, AT + timedelta(minutes=25), heater=heater)
    assert all(bay.heater is None for bay in late.bays)


def test_a_shed_without_a_heater_has_no_answer() -> None:
    store = MemoryStore()
    store.add([Reading("keel.air_c", AT, 20.0, AT)])
    assert HeaterKeeper(Config(), ()).look(store, AT, EMPTY) is None


@pytest.mark.slow
def test_a_relay_that_calls_in_vain_gives_the_hours_ahead_no_warmth() -> None:
    """The thermostat calls all night, and nothing burns: what was burned by its word is not believed."""
    out_at = START + timedelta(days=3, hours=21)
    event = Event(Kind.HEATER_OUT, out_at.timestamp(), out_at.timestamp() + 43_200.0)
    life = simulate(Tent(), START, out_at + timedelta(hours=8), 60, 84, Scenario((event,), 0.0))
    asked = out_at + timedelta(minutes=90)
    store = MemoryStore()
    for name, (times_us, values) in series_of(life).items():
        calls = (times_us > to_us(out_at + timedelta(minutes=20))) & (name == "heater.on")
        pairs = zip(times_us.tolist(), np.where(calls, 1.0, values).tolist(), strict=True)
        store.add([Reading(name, from_us(at_us), value, from_us(at_us)) for at_us, value in pairs])
    keeper = HeaterKeeper(Config(), ())
    found = keeper.look(store, asked, EMPTY)
    assert found is not None
    assert found.sign is Sign.HEATER_STOPPED
    usual = forecast(read_store(store, asked), asked)
    cold = keeper.unheated(usual)
    assert cold is not None
    for bay in BAYS:
        for hours, near_k in ((1, 1.0), (3, 2.0), (5, 2.5)):
            step = hours * 6 - 1
            true = np.interp(usual.times_us[step] / 1e6, life.time_s, life.truth[f"{bay}.air_c"])
            assert cold.left_off.quantile(bay, "air_c", 0.5)[step] == pytest.approx(true, abs=near_k)
