"""When outlooks are made and what is in them: the service without its process."""

import logging
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from collector.clock import ManualClock, from_us
from collector.config import Config
from collector.domain import Reading
from collector.journal import Told, open_journal
from collector.store.memory import MemoryStore
from collector.weather_config import WeatherConfig
from forecast import service as module
from forecast.heater_keeper import HeaterKeeper
from forecast.heater_state import Sign
from forecast.outlook_order import Files, order_of, read_order
from forecast.outlook_topic import OutlookTopic
from forecast.service import Inputs, OutlookService, jumped
from forecast.shed_now import shed_now
from forecast.unheated import STOPPED
from forecast.verdict import Verdict
from forecast.weather_keeper import WeatherKeeper
from hardware.tent.parameters import Tent
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.simulation import simulate
from tests.forecast.shed_data import START, series_of
from tests.forecast.test_outlook_maker import AT, BATCH, SHED, a_store

if TYPE_CHECKING:
    from forecast.outlook import Outlook


class Bench:
    """A service over a store in memory; its calm and its wait are as the test sets them."""

    def __init__(self, folder: Path, store: MemoryStore, heater: HeaterKeeper | None = None) -> None:
        self.clock = ManualClock(AT)
        self.made: list[Outlook] = []
        self.journal = folder / "shed.journal.sqlite"
        self.service = OutlookService(
            Inputs(store, SHED, self.journal, heater=heater), self.clock, self.made.append
        )


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A day until the next outlook by time: a still clock would make them without a pause."""
    monkeypatch.setattr(module, "QUICKEST_REFRESH_S", 86_400.0)


@pytest.mark.usefixtures("patient")
def test_the_first_is_made_at_once_and_its_forecast_follows(tmp_path: Path) -> None:
    bench = Bench(tmp_path, a_store())
    assert [bench.service.look() for _ in range(4)] == ["first", "time", "", ""]
    first, second = bench.made
    assert first.forecast_at is None
    assert first.notes == ("the first forecast is being worked out",)
    assert first.bays[0].now.verdict is Verdict.GO
    assert second.forecast_at == AT
    assert second.bays[0].bands


@pytest.mark.usefixtures("patient")
def test_a_shed_without_a_heater_is_asked_once_and_has_none(tmp_path: Path) -> None:
    bench = Bench(tmp_path, a_store(), HeaterKeeper(Config(), ()))
    assert [bench.service.look() for _ in range(4)] == ["first", "time", "heater", ""]
    assert bench.made[-1].bays[0].heater is None


@pytest.mark.usefixtures("patient")
def test_until_the_heater_has_been_measured_it_says_so(tmp_path: Path) -> None:
    store = a_store()
    store.add([Reading("heater.on", AT, 1.0, AT)])
    bench = Bench(tmp_path, store, HeaterKeeper(Config(), ()))
    assert [bench.service.look() for _ in range(3)] == ["first", "time", "heater"]
    measuring = "the heater is being measured"
    assert [measuring in outlook.notes for outlook in bench.made] == [True, True, False]


@pytest.mark.slow
@pytest.mark.usefixtures("patient")
def test_beside_a_stopped_heater_the_hours_are_those_without_it_until_it_burns_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A real tent, a real keeper: the flame goes out after four days, and is lit 75 minutes later."""
    out_at, lit_at = START + timedelta(days=4, hours=20), START + timedelta(days=4, hours=21, minutes=15)
    out = Event(Kind.HEATER_OUT, out_at.timestamp(), lit_at.timestamp())
    store = MemoryStore()
    tent = simulate(Tent(), START, lit_at + timedelta(minutes=30), 60, 83, Scenario((out,), 0.0))
    for name, (times_us, values) in series_of(tent).items():
        pairs = zip(times_us.tolist(), values.tolist(), strict=True)
        store.add([Reading(name, from_us(at_us), value, from_us(at_us)) for at_us, value in pairs])
    bench = Bench(tmp_path, store, HeaterKeeper(Config(), ()))
    monkeypatch.setattr(module, "CALM_S", 0.0)
    lows = {}
    for minutes, why in ((0, ["first", "time", "heater"]), (60, ["jump"]), (105, ["jump"])):
        bench.clock.set(out_at + timedelta(minutes=minutes))
        assert [bench.service.look() for _ in why] == why
        keel = next(one for one in bench.made[-1].bays if one.bay == "keel")
        assert keel.heater is not None
        assert (
            (keel.heater.sign is Sign.HEATER_STOPPED) == (STOPPED in bench.made[-1].notes) == (minutes == 60)
        )
        part = next(one for one in keel.bands if one.quantity == "part_c")
        lows[minutes] = min(part.likely[: 2 * 10])
    assert lows[60] < 10.5
    assert min(lows[0], lows[105]) > lows[60] + 2.0


@pytest.mark.usefixtures("patient")
def test_once_an_outage_is_over_what_was_said_meanwhile_no_longer_counts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A service that lived through it says what one says that was started afterwards."""
    monkeypatch.setattr(module, "CALM_S", 0.0)
    store, start = MemoryStore(), AT - timedelta(days=9)
    for step in range(9 * 48):
        at = start + timedelta(minutes=30 * step)
        out = 8 * 48 <= step < 8 * 48 + 14
        air_c = 9.0 if out else 17.0 + (step % 48) / 24.0
        for name, value in (
            ("keel.air_c", air_c),
            ("heater.on", 0.0 if out else 1.0),
            ("heater.setpoint_c", 18.0),
        ):
            store.add([Reading(name, at, value, at)])
    lived, late = (Bench(tmp_path / name, store) for name in ("lived", "late"))
    lived.clock.set(start + timedelta(days=8, hours=6))
    assert [lived.service.look() for _ in range(2)] == ["first", "time"]
    for bench in (lived, late):
        bench.clock.set(AT - timedelta(hours=2))
    assert lived.service.look() == "jump"
    assert [late.service.look() for _ in range(2)] == ["first", "time"]
    assert any("the heater was out" in note for note in lived.made[-1].notes)
    assert lived.made[-1].bays[0].bands == late.made[-1].bays[0].bands
    assert min(lived.made[-1].bays[0].bands[0].likely) > 15.0


@pytest.mark.usefixtures("patient")
def test_weather_that_cannot_be_had_is_said_and_the_outlook_is_made_without(tmp_path: Path) -> None:
    bench = Bench(tmp_path, a_store())
    gone = WeatherConfig(service="file", file=str(tmp_path / "gone.json"))
    keeper = WeatherKeeper(gone, tmp_path / "weather.sqlite", bench.clock)
    inputs = Inputs(a_store(), SHED, bench.journal, keeper, None, (18.0,) * 24)
    service = OutlookService(inputs, bench.clock, bench.made.append)
    assert [service.look() for _ in range(2)] == ["first", "time"]
    assert "gone.json" in bench.made[-1].notes[0]
    assert bench.made[-1].bays[0].bands


@pytest.mark.usefixtures("patient")
def test_an_entry_in_the_journal_makes_one_at_once_on_the_forecast_there_is(tmp_path: Path) -> None:
    bench = Bench(tmp_path, a_store())
    bench.service.look()
    bench.service.look()
    journal = open_journal(bench.journal)
    assert journal is not None
    journal.start(BATCH, Told(AT - timedelta(hours=1), AT))
    bench.clock.advance(timedelta(seconds=2))
    assert bench.service.look() == "mark"
    assert [cure.key for cure in bench.made[-1].cures] == ["k1"]
    assert bench.made[-1].forecast_at == AT
    journal.close()


@pytest.mark.usefixtures("patient")
def test_a_jump_makes_one_once_things_are_calm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = a_store()
    bench = Bench(tmp_path, store)
    bench.service.look()
    bench.service.look()
    bench.clock.advance(timedelta(seconds=30))
    store.add([Reading("keel.part_c", bench.clock.now(), 18.9, bench.clock.now())])
    assert bench.service.look() == ""  # made a moment ago
    monkeypatch.setattr(module, "CALM_S", 0.0)
    assert bench.service.look() == "jump"
    assert bench.made[-1].bays[0].now.part_c == 18.9
    assert bench.service.look() == ""


@pytest.mark.usefixtures("patient")
def test_readings_that_stop_are_no_news_without_waiting_for_the_hour(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "CALM_S", 0.0)
    bench = Bench(tmp_path, a_store())
    bench.service.look()
    bench.service.look()
    bench.clock.advance(timedelta(minutes=16))
    assert bench.service.look() == "jump"
    assert bench.made[-1].verdict is Verdict.NO_NEWS


@pytest.mark.usefixtures("patient")
def test_an_empty_store_is_no_news_in_words(tmp_path: Path) -> None:
    bench = Bench(tmp_path, MemoryStore())
    bench.service.look()
    bench.service.look()
    assert bench.made[-1].verdict is Verdict.NO_NEWS
    assert "no sound readings" in bench.made[-1].notes[0]


@pytest.mark.parametrize(
    ("quantity", "by", "is_jump"),
    [("air_c", 1.4, False), ("air_c", -1.6, True), ("humidity_pct", 5.0, False), ("part_c", 1.0, True)],
)
def test_a_little_is_no_jump(quantity: str, by: float, is_jump: bool) -> None:  # noqa: FBT001  a parameter
    before = shed_now(a_store(), "tunnel", {}, SHED.limits, AT)
    bay = before.bays[0]
    now = replace(before, bays=(replace(bay, **{quantity: getattr(bay, quantity) + by}),))
    assert jumped(before, now) is is_jump
    assert not jumped(before, before)
    assert jumped(before, replace(before, bays=()))
    assert jumped(before, replace(before, bays=(replace(bay, verdict=Verdict.NO_NEWS),)))


def test_the_order_carries_a_quickened_clock_over() -> None:
    files = Files(None, Path("a"), Path("b"), Path("c"), (Path("cards"),))
    order = order_of(files, ManualClock(AT))  # a still clock cannot be carried: the machine's is taken
    assert read_order(order.line()) == order
    assert order.speed == 1.0
    quick = order._replace(speed=60.0, clock_at=AT.isoformat())
    assert AT <= quick.clock().now() < AT + timedelta(minutes=5)


def test_a_broker_that_cannot_be_reached_holds_nothing_up(caplog: pytest.LogCaptureFixture) -> None:
    from collector.source_config import BrokerConfig

    with caplog.at_level(logging.WARNING):
        topic = OutlookTopic(BrokerConfig(host="127.0.0.1", username="u", password_file="/none"), "tunnel")
    topic.publish("{}")
    topic.close()
    assert "the outlook is not published" in caplog.text


@pytest.mark.usefixtures("patient")
def test_a_forecast_that_cannot_be_drawn_on_is_forgotten_and_the_outlook_made_without(tmp_path: Path) -> None:
    bench = Bench(tmp_path, a_store())
    assert [bench.service.look() for _ in range(2)] == ["first", "time"]
    bench.service.forget_forecast()
    assert bench.service.look() == "first"
    assert bench.made[-1].forecast_at is None
    assert "the last forecast failed" in bench.made[-1].notes
