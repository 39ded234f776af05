"""The outlook of a shed, from a store, a journal and a forecast."""

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import numpy as np
import pytest

from collector.clock import to_us
from collector.config import Config
from collector.domain import Reading
from collector.journal import Journal, Told, open_journal
from collector.journal_book import Batch, Mark
from collector.store.memory import MemoryStore
from collector.window_config import JobConfig
from forecast.air import dew_point_c
from forecast.batches import ReadyHour
from forecast.card import Stage
from forecast.cure_outlook import Basis, Remedy
from forecast.outlook import Outlook
from forecast.outlook_book import KEEP, SEASON, open_outlooks
from forecast.outlook_json import dump_outlook, load_outlook
from forecast.outlook_maker import make_outlook, shed_of
from forecast.paths import Forecast
from forecast.unheated import STOPPED, Unheated
from forecast.verdict import Verdict

AT = datetime(2026, 4, 2, 21, 4, tzinfo=UTC)
BATCH = Batch("keel", "hull", "generic-vinyl-ester", 1.75)
SHED = shed_of(Config(), ())


def empty(at: datetime, why: str) -> Outlook:
    """An outlook that knows nothing but why."""
    return Outlook(SHED.name, at, None, None, SHED.limits, notes=(why,))


def a_store(at: datetime = AT, part_c: float = 20.0) -> MemoryStore:
    """Bay keel at 21 °C, 55 % and its part at 20 °C, for the six hours up to a moment."""
    store = MemoryStore()
    moments = [at - timedelta(minutes=5 * i) for i in range(72)]
    for name, value in (("air_c", 21.0), ("humidity_pct", 55.0), ("part_c", part_c)):
        store.add([Reading(f"keel.{name}", moment, value, moment) for moment in moments])
    return store


def a_forecast(issued_at: datetime = AT, part_c: float = 20.0) -> Forecast:
    """Every path stays as it is, half a degree apart."""
    step_us = 600_000_000
    first_us = to_us(issued_at) // step_us * step_us + step_us
    times_us = first_us + step_us * np.arange(432, dtype=np.int64)
    spread = np.linspace(-0.25, 0.25, 200)[:, None] + np.zeros(432)
    paths = {
        ("keel", "air_c"): 21.0 + spread,
        ("keel", "humidity_pct"): 55.0 + spread,
        ("keel", "part_c"): part_c + spread,
    }
    return Forecast(issued_at, times_us, paths, ("only 6 h of readings",))


@pytest.fixture
def journal(tmp_path: Path) -> Journal:
    found = open_journal(tmp_path / "j.sqlite")
    assert found is not None
    return found


def test_a_bay_has_its_verdict_and_bands_of_five_quantities() -> None:
    outlook = make_outlook(a_store(), SHED, AT, forecast=a_forecast())
    (bay,) = outlook.bays
    assert bay.now.verdict is Verdict.GO
    assert {b.quantity for b in bay.bands} == {"air_c", "part_c", "humidity_pct", "dew_point_c", "margin_k"}
    for band in bay.bands:
        assert band.start_at == datetime(2026, 4, 2, 21, 30, tzinfo=UTC)
        assert len(band.low) == len(band.likely) == len(band.high) == 144
        assert all(lo <= mid <= hi for lo, mid, hi in zip(band.low, band.likely, band.high, strict=True))
    dew, margin = bay.band("dew_point_c"), bay.band("margin_k")
    assert dew is not None
    assert margin is not None
    assert dew.likely[0] == pytest.approx(dew_point_c(21.0, 55.0), abs=0.02)  # rounded to a hundredth
    assert margin.likely[0] == pytest.approx(20.0 - dew_point_c(21.0, 55.0), abs=0.02)
    assert outlook.notes == ("only 6 h of readings",)
    assert (outlook.issued_at, outlook.heard_at, outlook.forecast_at) == (AT, AT, AT)


def test_each_planned_job_has_its_windows_from_now_on() -> None:
    """Steady 20 °C and 55 %: the usual job of four hours fits all day long, in working hours."""
    outlook = make_outlook(a_store(), SHED, AT, forecast=a_forecast(AT - timedelta(minutes=35)))
    (lay_up,) = outlook.bays[0].windows
    assert (lay_up.bay, lay_up.job, lay_up.verdict) == ("keel", "lay-up", Verdict.GO)
    assert lay_up.windows[0].start_at == datetime(2026, 4, 3, 7, 0, tzinfo=UTC)
    assert lay_up.starts is None
    assert load_outlook(dump_outlook(outlook)) == outlook
    assert make_outlook(a_store(), SHED, AT).bays[0].windows == ()


def test_a_job_whose_card_is_gone_is_told_and_hides_nothing() -> None:
    config = Config(job=(JobConfig(name="skin", work_h=2.0, card="nobodys-card"),))
    outlook = make_outlook(a_store(), shed_of(config, ()), AT, forecast=a_forecast())
    assert any("nobodys-card" in note for note in outlook.notes)
    assert outlook.bays[0].bands


def test_a_cure_goes_from_measured_to_forecast_hours(journal: Journal) -> None:
    """At 20 °C the card prints 12 h to sandable; five are had, and seven in the morning is ten away."""
    laid_at = AT - timedelta(hours=5)
    journal.start(BATCH, Told(laid_at, laid_at))
    outlook = make_outlook(a_store(), SHED, AT, forecast=a_forecast(), book=journal.book())
    (cure,) = outlook.cures
    assert cure.basis is Basis.FORECAST
    sandable = next(one.when for one in cure.ahead if one.stage is Stage.SANDABLE)
    assert sandable.likely_at is not None
    assert (sandable.likely_at - laid_at) / timedelta(hours=1) == pytest.approx(12.0, abs=0.2)
    assert cure.ready is not None
    assert (cure.ready.wanted.default, cure.ready.wanted.at.hour) == (True, 7)
    assert cure.ready.odds == 1.0
    assert load_outlook(dump_outlook(outlook)) == outlook


def lit_at(moment: datetime | None) -> Forecast:
    """A part at 3 °C, where nothing cures, until a moment, and at 20 °C from then on; None: never."""
    said = a_forecast()
    cold = np.ones(432, dtype=bool) if moment is None else said.times_us < to_us(moment)
    paths = {
        unit: rows if unit[1] == "humidity_pct" else np.where(cold, rows - 17.0, rows)
        for unit, rows in said.paths.items()
    }
    return replace(said, paths=paths, notes=(STOPPED,))


def test_a_stopped_heater_leaves_the_hours_without_it_and_says_by_when_to_light_it(journal: Journal) -> None:
    """Seven hours at 20 °C are wanted by seven, more of a slow batch: midnight will do, three will not."""
    laid_at = AT - timedelta(hours=5)
    journal.start(BATCH, Told(laid_at, laid_at))
    marks = [AT.replace(minute=0) + timedelta(hours=hours) for hours in range(1, 9)]
    cold = Unheated(lit_at(None), tuple((mark, lit_at(mark)) for mark in marks))
    outlook = make_outlook(a_store(), SHED, AT, forecast=a_forecast(), book=journal.book(), unheated=cold)
    (cure,) = outlook.cures
    assert cure.ready is not None
    assert cure.ready.odds == 0.0
    assert cure.verdict is Verdict.NO_GO
    assert STOPPED in outlook.notes
    band = next(one for one in outlook.bays[0].bands if one.quantity == "part_c")
    assert band.likely[4] == pytest.approx(3.0, abs=0.1)
    light = cure.rescues[0]
    assert light.remedy is Remedy.LIGHT
    assert light.odds is not None
    assert light.odds >= 0.9
    assert light.by_at in {marks[1], marks[2]}  # 23:00 or midnight
    assert all(one.remedy in {Remedy.LIGHT, Remedy.COVER} for one in cure.rescues)
    assert load_outlook(dump_outlook(outlook)) == outlook


def test_a_flame_lit_too_late_is_better_than_none(journal: Journal) -> None:
    laid_at = AT - timedelta(hours=2)
    journal.start(BATCH, Told(laid_at, laid_at))
    soon = AT.replace(minute=30)
    cold = Unheated(lit_at(None), ((soon, lit_at(soon)),))
    (cure,) = make_outlook(a_store(), SHED, AT, book=journal.book(), unheated=cold).cures
    light = cure.rescues[0]
    assert (light.remedy, light.by_at) == (Remedy.LIGHT, None)
    assert light.odds is not None
    assert 0.05 <= light.odds < 0.9


def test_a_mark_is_seen_by_the_next_outlook(journal: Journal) -> None:
    laid_at = AT - timedelta(hours=1)
    key = journal.start(BATCH, Told(laid_at, laid_at))
    journal.mark(key, Mark.TACK_FREE, Told(AT, AT))
    (cure,) = make_outlook(a_store(), SHED, AT, forecast=a_forecast(), book=journal.book()).cures
    assert cure.state is not None
    assert cure.state.stage is Stage.TACK_FREE


def test_an_hour_told_stands_before_the_configurations(journal: Journal) -> None:
    laid_at = AT - timedelta(hours=1)
    wanted = replace(BATCH, ready_stage="tack-free", ready_by=AT + timedelta(hours=1))
    journal.start(wanted, Told(laid_at, laid_at))
    journal.start(BATCH, Told(laid_at, laid_at))
    told, untold = make_outlook(a_store(), SHED, AT, forecast=a_forecast(), book=journal.book()).cures
    assert told.ready is not None
    assert untold.ready is not None
    assert (told.ready.wanted.stage, told.ready.wanted.at) == (Stage.TACK_FREE, AT + timedelta(hours=1))
    assert untold.ready.wanted.stage is Stage.SANDABLE


def test_a_forecast_too_old_is_left_and_that_is_said(journal: Journal) -> None:
    laid_at = AT - timedelta(hours=1)
    journal.start(BATCH, Told(laid_at, laid_at))
    old = a_forecast(AT - timedelta(hours=3))
    outlook = make_outlook(a_store(), SHED, AT, forecast=old, book=journal.book())
    assert outlook.forecast_at is None
    assert outlook.bays[0].bands == ()
    assert outlook.cures[0].basis is Basis.LAST_HOURS
    assert "the forecast is too old to be drawn on" in outlook.notes


def test_stopped_readings_are_no_news_of_bay_and_cure(journal: Journal) -> None:
    laid_at = AT - timedelta(hours=1)
    journal.start(BATCH, Told(laid_at, laid_at))
    later = AT + timedelta(hours=2)
    outlook = make_outlook(a_store(), SHED, later, forecast=a_forecast(later), book=journal.book())
    assert outlook.bays[0].now.verdict is Verdict.NO_NEWS
    assert outlook.cures[0].verdict is Verdict.NO_NEWS
    assert outlook.verdict is Verdict.NO_NEWS


def test_a_card_that_cannot_be_read_hides_no_other_cure(journal: Journal) -> None:
    laid_at = AT - timedelta(hours=1)
    journal.start(replace(BATCH, card="nobodys-card"), Told(laid_at, laid_at))
    journal.start(BATCH, Told(laid_at, laid_at))
    outlook = make_outlook(a_store(), SHED, AT, forecast=a_forecast(), book=journal.book())
    assert [cure.key for cure in outlook.cures] == ["k2"]
    assert "nobodys-card" in outlook.mistakes[0]
    assert outlook.verdict is Verdict.NO_NEWS


@pytest.mark.parametrize(
    ("laid_at", "wanted_at"),
    [
        (datetime(2026, 4, 2, 19, 0, tzinfo=UTC), datetime(2026, 4, 3, 7, 0, tzinfo=UTC)),
        (datetime(2026, 4, 3, 5, 0, tzinfo=UTC), datetime(2026, 4, 4, 7, 0, tzinfo=UTC)),  # not in two hours
        (datetime(2026, 4, 1, 5, 0, tzinfo=UTC), datetime(2026, 4, 3, 7, 0, tzinfo=UTC)),  # the next to come
    ],
)
def test_the_configurations_hour_is_the_next_after_a_night(laid_at: datetime, wanted_at: datetime) -> None:
    hour = ReadyHour(Stage.SANDABLE, time(7), UTC)
    assert hour.wanted(laid_at, max(laid_at, AT)).at == wanted_at


def test_outlooks_are_kept_some_days_newest_first(tmp_path: Path) -> None:
    path = tmp_path / "store.outlook.sqlite"
    assert open_outlooks(path, read_only=True) is None
    book = open_outlooks(path)
    assert book is not None
    assert book.newest() is None
    made = [empty(AT + timedelta(hours=h), f"hour {h}") for h in (0, 1, 2, 30, 72)]
    for outlook in made:
        book.keep(outlook)
    reader = open_outlooks(path, read_only=True)
    assert reader is not None
    assert reader.newest() == made[-1]
    assert reader.newest_at() == made[-1].issued_at
    assert reader.newest(AT + timedelta(hours=1)) == made[1]
    assert reader.between(AT, AT + timedelta(days=2)) == made[:4]
    assert reader.spaced(AT, AT + timedelta(days=2)) == [made[0], made[3]]
    book.keep(empty(AT + KEEP + timedelta(hours=2, minutes=30), "later"))
    assert reader.between(AT, AT + timedelta(days=1)) == [made[0]]  # of six hours the first stays
    book.keep(empty(AT + SEASON + timedelta(hours=1), "a year later"))
    assert reader.newest(AT) is None
    reader.close()
    book.close()
