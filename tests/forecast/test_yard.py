"""All sheds of a yard from real central stores, the worst first."""

from collections.abc import Iterator
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
from forecast.outlook import Band, BayOutlook, Outlook
from forecast.outlook_json import load_outlook
from forecast.shed_limits import limits_of
from forecast.verdict import BayNow, Limits, Verdict
from forecast.yard import ShedLine, yard
from forecast.yard_numbers import (
    Stretch,
    limit_numbers,
    limits_from,
    next_window,
    outlook_numbers,
    told_from,
)
from forecast.yard_refresh import Refreshing, refresh
from tests.central import KINDS, Central, running

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


def an_outlook(shed: str, at: datetime = AT, **bands: tuple[float, float]) -> Outlook:
    """Return an outlook of one bay whose bands (low, high) stand for 24 h, from the next half hour on."""
    full = {
        "air_c": (20.0, 22.0),
        "part_c": (19.0, 21.0),
        "humidity_pct": (50.0, 60.0),
        "margin_k": (6.0, 8.0),
    }
    steps = 48
    made = tuple(
        Band(name, at, 1800.0, (low,) * steps, ((low + high) / 2,) * steps, (high,) * steps)
        for name, (low, high) in {**full, **bands}.items()
    )
    now = BayNow("keel", Verdict.GO, (), 21.0, 55.0, 20.0, 11.6, None, 8.4, 0.7, 60.0)
    return Outlook(shed, at, at, at, LIMITS, (BayOutlook(now, made),))


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
    told = told_from(outlook_numbers(an_outlook("gull"), fuel_h=7.25))
    assert told is not None
    assert (told.outlook_at, told.live_cures, told.cures_verdict, told.fuel_h) == (AT, 0, Verdict.GO, 7.25)
    assert told_from(limit_numbers(LIMITS)) is None


@pytest.mark.parametrize(
    ("quantity", "band"),
    [
        ("air_c", (15.9, 20.0)),  # 16 is the limit
        ("part_c", (20.0, 30.1)),
        ("humidity_pct", (60.0, 75.1)),
        ("margin_k", (2.9, 8.0)),
    ],
)
def test_a_range_that_passes_a_limit_is_no_window(quantity: str, band: tuple[float, float]) -> None:
    assert next_window(an_outlook("gull", AT, **{quantity: band})) is None


def test_a_window_is_two_hours_at_least_and_the_first_one_counts() -> None:
    outlook = an_outlook("gull")
    bands = {band.quantity: band for band in outlook.bays[0].bands}
    high = [80.0, 60.0, 60.0, 60.0, 80.0, *[60.0] * 5, *[80.0] * 38]
    humid = Band("humidity_pct", AT, 1800.0, (50.0,) * 48, (55.0,) * 48, tuple(high))
    bay = BayOutlook(outlook.bays[0].now, tuple({**bands, "humidity_pct": humid}.values()))
    found = next_window(Outlook("gull", AT, AT, AT, LIMITS, (bay,)))
    assert found == Stretch(AT + timedelta(hours=2.5), AT + timedelta(hours=5))


def test_without_one_of_the_four_nobody_can_tell() -> None:
    outlook = an_outlook("gull")
    bay = BayOutlook(outlook.bays[0].now, outlook.bays[0].bands[:3])
    assert next_window(Outlook("gull", AT, AT, AT, LIMITS, (bay,))) is None
