"""All sheds of a yard from real central stores, the worst first."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.clock import ManualClock, SystemClock
from collector.config import Config, parse_config
from collector.domain import Reading
from collector.forward.forwarder import Forwarder, Note
from collector.forward.sender import Sender
from collector.forward.spool import Spool
from collector.journal import Told as ToldEntry
from collector.journal import open_journal
from collector.journal_book import Batch
from collector.journal_text import journal_text
from collector.shared_settings import settings_text
from collector.store.address import NO_ACCESS, Address
from collector.store.opening import open_central, open_engine, open_store
from forecast.heater_state import HeaterOutlook
from forecast.limits import Limit
from forecast.outlook import BayOutlook, Outlook
from forecast.outlook_json import load_outlook
from forecast.shed_limits import limits_of
from forecast.verdict import BayNow, Limits, Verdict
from forecast.window_answer import JobWindows, Window
from forecast.yard import ShedLine, yard
from forecast.yard_numbers import (
    Stretch,
    Told,
    fuel_lasts_h,
    limit_numbers,
    limits_from,
    next_window,
    outlook_numbers,
    told_from,
)
from forecast.yard_refresh import Refreshing, refresh
from tests.central import KINDS, Central, running
from tests.dashboards.test_heater_view import OUTLOOK as HEATER

AT = datetime(2026, 4, 2, 21, 0, tzinfo=UTC)
FIT = {"air_c": 21.0, "humidity_pct": 55.0, "part_c": 20.0}
LIMITS = limits_of(Config().limits)


@pytest.fixture(scope="module", params=KINDS)
def central(request: pytest.FixtureRequest) -> Iterator[Central]:
    """One central store of each kind."""
    with running(request.param) as found:
        yield found


def forward(address: Address, folder: Path, readings: list[Reading], *notes: Note) -> None:
    """Do what a shed's daemon does: keep readings, and forward them and its notes."""
    path = folder / f"{address.shed}.sqlite"
    store = open_store(path)
    store.add(readings)
    store.close()
    clock = ManualClock(AT)
    with Spool(path) as spool:
        spool.begin(str(address))
        sender = Sender(address, NO_ACCESS, "layday", clock)
        shed, words = address.shed, str(address)
        forwarder = Forwarder(spool, sender, clock, shed=shed, address=words, notes=lambda: notes)
        while forwarder.step():
            pass
        sender.close()


def settings(text: str = "") -> Note:
    """Return the settings of a shed as it tells them; `text` is TOML of its limits."""
    config = parse_config({"limits": {"humidity_max_pct": float(text)}} if text else {}, "test")
    return Note("settings", settings_text(config), limit_numbers(limits_of(config.limits)))


def said(values: dict[str, float], minutes_ago: float = 1.0) -> list[Reading]:
    at = AT - timedelta(minutes=minutes_ago)
    return [Reading(f"keel.{name}", at, value, at) for name, value in values.items()]


def a_window(start_h: float, end_h: float, verdict: Verdict = Verdict.GO) -> Window:
    """Return a window whose starts lie so many hours after `AT`."""
    start_at, end_at = AT + timedelta(hours=start_h), AT + timedelta(hours=end_h)
    return Window(start_at, end_at, verdict, 0.9, 0.95, start_at, Limit.HUMIDITY, None, None)


def windows_of(*windows: Window) -> JobWindows:
    """Return a job's windows."""
    best = windows[0].verdict if windows else Verdict.NO_GO
    return JobWindows(
        "keel", "lay", best, Verdict.NO_GO, windows, None, 0.9, Limit.HUMIDITY, 240.0, 300.0, ()
    )


def an_outlook(
    shed: str, at: datetime = AT, *jobs: JobWindows, heater: HeaterOutlook | None = None
) -> Outlook:
    """Return an outlook of one bay with the windows of some jobs, by default one from 0 to 24 h."""
    now = BayNow("keel", Verdict.GO, (), 21.0, 55.0, 20.0, 11.6, None, 8.4, 0.7, 60.0)
    windows = jobs or (windows_of(a_window(0.0, 24.0)),)
    return Outlook(shed, at, at, at, LIMITS, (BayOutlook(now, windows=windows, heater=heater),))


def test_the_worst_shed_comes_first_and_each_is_judged_by_its_own_limits(
    central: Central, tmp_path: Path
) -> None:
    address = central.make_bucket("yard1")
    yards = {
        "ann": (said(FIT), settings()),
        "bea": (said({**FIT, "humidity_pct": 90.0}), settings()),
        "cat": (said(FIT, minutes_ago=40.0), settings()),
        "dot": (said(FIT), settings("50.0")),  # its limit of humidity lies below what it has
        "eve": (said(FIT, minutes_ago=60.0 * 24 * 3), settings()),
    }
    for shed, (readings, note) in yards.items():
        numbers = outlook_numbers(an_outlook(shed))
        forward(address.of(shed), tmp_path, readings, note, Note("outlook", "", numbers))
    lines = _asked(central, address)
    found = [(line.shed, line.verdict) for line in lines if line.shed in yards]
    assert found == [
        ("cat", Verdict.NO_NEWS),
        ("eve", Verdict.NO_NEWS),
        ("bea", Verdict.NO_GO),
        ("dot", Verdict.NO_GO),
        ("ann", Verdict.GO),
    ]
    by_name = {line.shed: line for line in lines}
    assert by_name["cat"].heard_at == AT - timedelta(minutes=40)
    assert by_name["eve"].heard_at is None
    told = by_name["ann"].told
    assert told is not None
    assert (told.live_cures, told.fuel_h) == (0, None)
    assert told.window == Stretch(AT, AT + timedelta(hours=24))


def test_an_outlook_too_old_tells_nothing(central: Central, tmp_path: Path) -> None:
    address = central.make_bucket("yard2")
    old = Note("outlook", "", outlook_numbers(an_outlook("fay", AT - timedelta(minutes=30))))
    forward(address.of("fay"), tmp_path, said(FIT), settings(), old)
    line = next(line for line in _asked(central, address) if line.shed == "fay")
    assert (line.verdict, line.told) == (Verdict.GO, None)


def test_outlooks_made_at_the_yard_are_judged_by_the_sheds_settings_and_journal(
    central: Central, tmp_path: Path
) -> None:
    """Two sheds over two processes, one of them with a cure; a third without readings says why."""
    address = central.make_bucket("yard3")
    journal = open_journal(tmp_path / "j.sqlite")
    assert journal is not None
    laid_at = AT - timedelta(hours=1)
    journal.start(Batch("keel", "hull", "generic-vinyl-ester", 1.75), ToldEntry(laid_at, laid_at))
    day = [reading for i in range(288) for reading in said(FIT, 5.0 * i)]
    forward(
        address.of("gus"), tmp_path, day, settings("50.0"), Note("journal", journal_text(journal.entries()))
    )
    forward(address.of("hal"), tmp_path, day, settings())
    journal.close()
    central.settled()
    asked = Refreshing(address, NO_ACCESS, "layday", AT, days=3.0)
    done = list(refresh(asked, ["gus", "hal"], jobs=2))
    assert [(one.shed, one.trouble) for one in done] == [("gus", ""), ("hal", "")]
    lines = {line.shed: line for line in _asked(central, address)}
    gus, hal = lines["gus"].told, lines["hal"].told
    assert gus is not None
    assert hal is not None
    assert (gus.live_cures, gus.window) == (1, None)  # it is at 55 %, above its own limit
    assert hal.live_cures == 0
    assert hal.window is not None
    there = open_central(address.of("gus"), NO_ACCESS, SystemClock())
    text = there.read_state("outlook")
    there.close()
    assert text is not None
    assert load_outlook(text.text).limits.humidity_max_pct == 50.0


def _asked(central: Central, address: Address) -> list[ShedLine]:
    central.settled()
    engine = open_engine(address, NO_ACCESS, SystemClock())
    try:
        return yard(engine, AT, LIMITS)
    finally:
        engine.close()


def test_limits_and_outlook_come_back_from_their_numbers() -> None:
    assert limits_from(limit_numbers(LIMITS), Limits(0, 1, 0, 1, 2, 3, 4)) == LIMITS
    outlook = an_outlook("gull", AT, windows_of(a_window(2.0, 5.0, Verdict.TIGHT)), heater=fuel_for(7.25))
    told = told_from(outlook_numbers(outlook))
    assert told == Told(
        AT, 0, Verdict.GO, Stretch(AT + timedelta(hours=2), AT + timedelta(hours=5), Verdict.TIGHT), 7.25
    )
    assert told_from(limit_numbers(LIMITS)) is None


def test_what_an_older_layday_wrote_is_read() -> None:
    """It told no window's verdict, and only windows to go."""
    numbers = outlook_numbers(an_outlook("gull"))
    del numbers["window_verdict"]
    told = told_from(numbers)
    assert told is not None
    assert told.window == Stretch(AT, AT + timedelta(hours=24), Verdict.GO)


def test_the_first_window_to_go_counts_before_a_tight_one() -> None:
    tight, go, later = a_window(1.0, 2.0, Verdict.TIGHT), a_window(5.0, 7.0), a_window(20.0, 22.0)
    found = next_window(an_outlook("gull", AT, windows_of(tight, later), windows_of(go)))
    assert found == Stretch(go.start_at, go.end_at, Verdict.GO)
    found = next_window(an_outlook("gull", AT, windows_of(tight)))
    assert found == Stretch(tight.start_at, tight.end_at, Verdict.TIGHT)
    assert next_window(an_outlook("gull", AT, windows_of())) is None
    assert next_window(an_outlook("gull", AT, windows_of(a_window(-3.0, -1.0)))) is None


def fuel_for(lasts_h: float | None) -> HeaterOutlook:
    """Return a heater whose fuel lasts so long; None for longer than is looked at."""
    assert HEATER.fuel is not None
    return replace(HEATER, fuel=replace(HEATER.fuel, lasts_h=lasts_h))


@pytest.mark.parametrize(("lasts_h", "told_h"), [(9.7, 9.7), (None, 72.0), (90.0, 72.0)])
def test_fuel_is_the_heaters_own(lasts_h: float | None, told_h: float) -> None:
    assert fuel_lasts_h(an_outlook("gull", heater=fuel_for(lasts_h))) == told_h
    assert fuel_lasts_h(an_outlook("gull")) is None
    assert fuel_lasts_h(an_outlook("gull", heater=replace(HEATER, fuel=None))) is None
