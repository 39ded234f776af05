"""The heater asked about again and again: learned once, with the newest past each time."""

from datetime import UTC, datetime, timedelta

import pytest

from collector.clock import EPOCH
from collector.config import Config
from collector.domain import Reading
from collector.journal_book import EMPTY
from collector.store.memory import MemoryStore
from forecast import heater_keeper as module
from forecast.climate_past import ClimatePast
from forecast.heater_keeper import HeaterKeeper
from forecast.heater_shed import HeaterSettings, ReadyShed, ready_shed
from forecast.outlook_json import dump_outlook, load_outlook
from forecast.outlook_maker import make_outlook, shed_of
from hardware.tent.parameters import Tent
from hardware.tent.simulation import Simulation

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
