"""From real outlooks to findings: what is there, what is not known, and when nobody can act."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from collector.domain import Flag, Reading
from collector.journal import Journal, Told, open_journal
from collector.journal_book import Batch, Mark
from collector.store.memory import MemoryStore
from dashboards.notify.causes import AlarmCause
from dashboards.notify.finding import Finding, Sight
from dashboards.notify.heater_seen import heater_seen
from dashboards.notify.scene import Gas, Heater, Scene
from dashboards.notify.service import scene_of
from dashboards.notify.shed_findings import findings
from forecast.card import Stage
from forecast.cure_outlook import Arrival, Dew, Remedy, Rescue
from forecast.heater_state import Action, Fuel, HeaterAdvice, HeaterNow, HeaterOutlook, Running, Sign
from forecast.limits import Limit
from forecast.outlook import Outlook
from forecast.outlook_maker import make_outlook
from forecast.verdict import Verdict
from forecast.window_answer import JobWindows, Window
from tests.forecast.test_outlook_maker import AT, BATCH, SHED, a_forecast, a_store

JUST_BEFORE = AT - timedelta(minutes=1)


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    """An empty journal."""
    found = open_journal(tmp_path / "j.sqlite")
    assert found is not None
    yield found
    found.close()


def outlook_of(
    journal: Journal, *, part_c: float = 20.0, batch: Batch = BATCH, laid_h: float = 1.0, later_h: float = 0.0
) -> Outlook:
    """A cure laid some hours ago on a part that stays as it is."""
    laid_at = AT - timedelta(hours=laid_h)
    journal.start(batch, Told(laid_at, laid_at))
    at = AT + timedelta(hours=later_h)
    store = a_store(part_c=part_c)
    return make_outlook(store, SHED, at, forecast=a_forecast(AT, part_c), book=journal.book())


def seen(outlook: Outlook, **more: object) -> dict[AlarmCause, Finding]:
    scene = replace(Scene(outlook.issued_at, outlook), **more)  # type: ignore[arg-type]
    return {one.spot.cause: one for one in findings(scene)}


def by_seven(stage: str = "sandable") -> Batch:
    return replace(BATCH, ready_stage=stage, ready_by=AT + timedelta(hours=10))


def test_a_warm_cure_has_nothing_to_say(journal: Journal) -> None:
    found = seen(outlook_of(journal, part_c=24.0, batch=by_seven()))
    assert {cause for cause, one in found.items() if one.sight is not Sight.CLEAR} == set()


def test_a_cold_one_will_be_late_and_somebody_can_still_help(journal: Journal) -> None:
    found = seen(outlook_of(journal, part_c=16.5, batch=by_seven()))
    late = found[AlarmCause.STAGE_AT_RISK]
    assert late.sight is Sight.THERE
    assert late.facts.odds == pytest.approx(1.0)
    assert late.facts.remedy in {"warm", "heater on"}
    assert late.facts.by_at is not None


def test_nobody_is_woken_for_what_can_wait_or_cannot_be_helped(journal: Journal) -> None:
    outlook = outlook_of(journal, part_c=16.5, batch=by_seven())
    (cure,) = outlook.cures
    far = tuple(replace(one, by_at=AT + timedelta(hours=6)) for one in cure.rescues)
    near = tuple(replace(one, by_at=AT + timedelta(hours=2)) for one in cure.rescues)
    for rescues, wakes in ((far, False), (near, True), ((), False)):
        found = seen(replace(outlook, cures=(replace(cure, rescues=rescues),)))
        assert found[AlarmCause.STAGE_AT_RISK].wakes is wakes


def test_a_stopped_heater_may_wait_until_it_must_be_lit_unless_something_presses(journal: Journal) -> None:
    """`by_at` lets people sleep: not beside wet resin, dew, or a cure for which no later moment would do."""
    outlook = outlook_of(journal, batch=by_seven())
    (cure,) = outlook.cures
    assert cure.state is not None
    by = AT + timedelta(hours=7)
    waits = replace(
        cure,
        state=replace(cure.state, stage=Stage.GEL),
        dew=None,
        rescues=(Rescue(Remedy.LIGHT, by, odds=0.93),),
    )
    wet = replace(waits, state=replace(cure.state, stage=None))
    dewy = replace(waits, dew=Dew(0.6, by, by))
    late = replace(waits, key="k2", part="rudder", rescues=(Rescue(Remedy.LIGHT, None, odds=0.8),))
    unhelped = replace(waits, key="k2", rescues=())
    stopped = (Heater("keel", stopped=True),)
    for cures, by_at in (
        ((waits,), by), ((waits, unhelped), by), ((wet,), None), ((dewy,), None), ((waits, late), None),
    ):  # fmt: skip
        found = seen(replace(outlook, cures=cures), heaters=stopped)[AlarmCause.HEATER_STOPPED]
        assert found.wakes
        assert found.facts.by_at == by_at
    assert (found.facts.part, found.facts.when_at, found.facts.remedy_odds) == ("rudder", None, 0.8)


def test_the_hour_that_passed_unreached_is_there_whatever_the_odds(journal: Journal) -> None:
    outlook = outlook_of(journal, batch=replace(BATCH, ready_by=AT - timedelta(minutes=5)))
    late = seen(outlook)[AlarmCause.STAGE_AT_RISK]
    assert (late.sight, late.sure) == (Sight.THERE, True)


def test_a_stage_reached_is_at_no_risk(journal: Journal) -> None:
    laid_at = AT - timedelta(hours=1)
    journal.start(by_seven("gel"), Told(laid_at, laid_at))
    journal.mark("k1", Mark.GEL, Told(AT - timedelta(minutes=5), AT))
    outlook = make_outlook(a_store(), SHED, AT, forecast=a_forecast(), book=journal.book())
    assert seen(outlook)[AlarmCause.STAGE_AT_RISK].sight is Sight.CLEAR


def test_a_part_too_cold_to_go_on_stalls_and_wakes_while_it_can_run(journal: Journal) -> None:
    outlook = outlook_of(journal, part_c=4.0, batch=replace(BATCH, ready_stage=""))
    (cure,) = outlook.cures
    assert cure.state is not None
    for stage, wakes in ((None, True), (Stage.GEL, False), (Stage.TACK_FREE, False)):
        found = seen(replace(outlook, cures=(replace(cure, state=replace(cure.state, stage=stage)),)))
        assert found[AlarmCause.STALL_AHEAD].sight is Sight.THERE
        assert found[AlarmCause.STALL_AHEAD].wakes is wakes


def test_dew_wakes_when_it_is_near(journal: Journal) -> None:
    outlook = outlook_of(journal)
    (cure,) = outlook.cures
    for odds, hours, sight, wakes in (
        (0.7, 1.0, Sight.THERE, True),
        (0.7, 5.0, Sight.THERE, False),
        (0.4, 1.0, Sight.BETWEEN, False),
        (0.1, 1.0, Sight.CLEAR, False),
    ):
        at = AT + timedelta(hours=hours)
        one = seen(replace(outlook, cures=(replace(cure, dew=Dew(odds, at, at)),)))[AlarmCause.DEW_AHEAD]
        assert (one.sight, one.wakes) == (sight, wakes)


def test_silent_sensors_are_lost_and_nothing_that_rests_on_them_is_told(journal: Journal) -> None:
    found = seen(outlook_of(journal, part_c=4.0, batch=by_seven(), later_h=1.0))
    lost = found[AlarmCause.SENSOR_LOST]
    assert (lost.sight, lost.wakes) == (Sight.THERE, True)
    assert set(lost.facts.sensors) == {"air_c", "humidity_pct", "part_c"}
    on_readings = {one.sight for cause, one in found.items() if cause is not AlarmCause.SENSOR_LOST}
    assert on_readings <= {Sight.UNKNOWN, Sight.CLEAR, Sight.BETWEEN}


def test_a_suspect_sensor_is_named_with_its_trouble(journal: Journal) -> None:
    store = a_store(JUST_BEFORE)
    store.add([Reading("keel.humidity_pct", AT, 100.0, AT, Flag.PINNED)])
    journal.start(BATCH, Told(AT - timedelta(hours=1), AT))
    outlook = make_outlook(store, SHED, AT, forecast=a_forecast(), book=journal.book())
    one = seen(outlook)[AlarmCause.SENSOR_SUSPECT]
    assert one.sight is Sight.THERE
    assert one.facts.sensors == ("humidity_pct",)
    assert Flag(one.facts.flags) == Flag.PINNED


def test_wet_resin_in_damp_air(journal: Journal) -> None:
    store = a_store(JUST_BEFORE)
    store.add([Reading("keel.humidity_pct", AT, 81.0, AT)])
    journal.start(BATCH, Told(AT - timedelta(minutes=10), AT))
    outlook = make_outlook(store, SHED, AT, forecast=a_forecast(), book=journal.book())
    one = seen(outlook)[AlarmCause.TOO_HUMID]
    assert (one.sight, one.facts.humidity_pct, one.facts.limit_pct) == (Sight.THERE, 81.0, 75.0)


def test_a_thick_laminate_that_heats_itself(journal: Journal) -> None:
    store = a_store(JUST_BEFORE)
    store.add([Reading("keel.part_c", AT, 71.0, AT)])
    journal.start(BATCH, Told(AT - timedelta(minutes=40), AT))
    outlook = make_outlook(store, SHED, AT, book=journal.book())
    one = seen(outlook)[AlarmCause.LAMINATE_HOT]
    assert (one.sight, one.wakes) == (Sight.THERE, True)


def test_the_recoat_window_is_told_before_it_closes(journal: Journal) -> None:
    outlook = outlook_of(journal)
    (cure,) = outlook.cures
    for hours, sight in ((2.0, Sight.THERE), (4.0, Sight.CLEAR)):
        at = AT + timedelta(hours=hours)
        one = replace(cure, closes=Arrival(at, at, at, 1.0))
        assert seen(replace(outlook, cures=(one,)))[AlarmCause.RECOAT_CLOSING].sight is sight


def test_power_that_was_away_is_told_when_it_is_back(journal: Journal) -> None:
    outlook = outlook_of(journal)
    before = replace(outlook, heard_at=AT - timedelta(hours=2))
    found = {one.spot.cause: one for one in findings(scene_of(outlook, before, AT))}
    assert found[AlarmCause.BACK_AFTER_GAP].sight is Sight.THERE
    assert found[AlarmCause.BACK_AFTER_GAP].facts.since_at == AT - timedelta(hours=2)
    found = {one.spot.cause: one for one in findings(scene_of(outlook, outlook, AT))}
    assert found[AlarmCause.BACK_AFTER_GAP].sight is Sight.CLEAR


def test_an_old_outlook_says_only_that_the_watch_is_down(journal: Journal) -> None:
    outlook = outlook_of(journal, part_c=4.0, batch=by_seven())
    (one,) = findings(Scene(AT + timedelta(minutes=21), outlook))
    assert (one.spot.cause, one.sight, one.wakes) == (AlarmCause.WATCH_DOWN, Sight.THERE, True)


def test_without_a_cure_or_a_job_there_is_no_alarm_but_gas() -> None:
    outlook = make_outlook(MemoryStore(), SHED, AT)
    gas = (Gas("keel", 60.0, AT),)
    heaters = (Heater("keel", stopped=True),)
    assert set(seen(outlook, gas=gas, heaters=heaters)) == {AlarmCause.CARBON_MONOXIDE}


@pytest.mark.parametrize(
    ("gas_ppm", "age_min", "sight"),
    [
        (34.0, 0.0, Sight.BETWEEN),
        (35.0, 0.0, Sight.THERE),
        (24.0, 0.0, Sight.CLEAR),
        (99.0, 20.0, Sight.UNKNOWN),
    ],
)
def test_carbon_monoxide_by_its_sensor(gas_ppm: float, age_min: float, sight: Sight) -> None:
    outlook = make_outlook(MemoryStore(), SHED, AT)
    gas = (Gas("keel", gas_ppm, AT - timedelta(minutes=age_min)),)
    assert seen(outlook, gas=gas)[AlarmCause.CARBON_MONOXIDE].sight is sight


def test_the_heater_stops_runs_dry_and_overshoots(journal: Journal) -> None:
    outlook = outlook_of(journal)
    heater = Heater(
        "keel",
        stopped=True,
        stopped_since=AT,
        work_min=38.0,
        lost_min=14.0,
        peak_c=29.0,
        peak_at=AT + timedelta(hours=1),
        fuel_kg=1.2,
        fuel_out_at=AT + timedelta(hours=1),
    )
    found = seen(outlook, heaters=(heater,))
    assert (found[AlarmCause.HEATER_STOPPED].sight, found[AlarmCause.HEATER_STOPPED].wakes) == (
        Sight.THERE,
        True,
    )
    facts = found[AlarmCause.HEATER_STOPPED].facts
    assert (facts.part, facts.stage) == ("hull", "sandable")
    assert facts.temp_c == pytest.approx(20.0, abs=0.1)
    assert (found[AlarmCause.FUEL_LOW].sight, found[AlarmCause.FUEL_LOW].wakes) == (Sight.THERE, True)
    assert AlarmCause.WORK_TIME_SHORT not in found  # nobody is about to mix
    (cure,) = outlook.cures
    assert cure.ready is not None
    done = replace(cure, ready=replace(cure.ready, reached=True))
    found = seen(replace(outlook, cures=(done,)), heaters=(heater,))
    assert not any(one.wakes for one in found.values())  # nothing is lost by morning
    waiting = seen(outlook, heaters=(heater,), windows=(a_window(2.0),))
    assert waiting[AlarmCause.WORK_TIME_SHORT].sight is Sight.THERE


def a_window(hours: float) -> JobWindows:
    start = AT + timedelta(hours=hours)
    window = Window(
        start, start + timedelta(hours=2), Verdict.GO, 0.92, 0.95, start, Limit.HUMIDITY, None, None
    )
    return JobWindows(
        "keel", "glass hull", Verdict.GO, Verdict.NO_GO, (window,), start, 0.95, Limit.HUMIDITY,
        240.0, 300.0, (), (),
    )  # fmt: skip


@pytest.mark.parametrize(("hours", "sight"), [(0.5, Sight.THERE), (3.0, Sight.CLEAR)])
def test_a_waiting_job_hears_of_its_window_an_hour_before(hours: float, sight: Sight) -> None:
    outlook = make_outlook(a_store(), SHED, AT)
    found = seen(outlook, windows=(a_window(hours),))
    assert found[AlarmCause.WINDOW_OPENING].sight is sight


def test_a_heater_between_burns_has_not_stopped() -> None:
    now = HeaterNow("keel", Running.IDLE, AT, 17.5, 1.0, 4.0, 16.0, 18.0, 40.0, "saw-tooth")
    fuel = Fuel("propane", 2.4, 0.5, 4.8, AT, AT - timedelta(minutes=30), AT, "scale")
    idle = HeaterOutlook(
        AT, "keel", now, Sign.NONE, None, None, None, HeaterAdvice(Action.KEEP), None, fuel, (), ()
    )
    assert heater_seen(idle).stopped is False
    assert heater_seen(idle).fuel_out_at == AT - timedelta(minutes=30)
    assert heater_seen(replace(idle, sign=Sign.HEATER_STOPPED, sign_since=AT)).stopped is True
    unknown = replace(idle, now=replace(now, running=Running.UNKNOWN))
    assert heater_seen(unknown).stopped is None
