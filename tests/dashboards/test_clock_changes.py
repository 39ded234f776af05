"""Nights on which clocks change: every renderable tells the hour that comes twice apart.

The changes are from the time zone database (IANA): Dublin 2026-03-29 and 2026-10-25 at 01:00 UTC, New York
2026-03-08 at 07:00 and 2026-11-01 at 06:00 UTC, Adelaide (9.5 h) 2026-04-04 at 16:30 UTC back and 2026-10-03
at 16:30 UTC forward, Lord Howe Island 2026-04-04 at 15:00 UTC back by half an hour only.
"""

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from rich.style import Style

from collector.clock import ManualClock, to_us
from dashboards.cure_steps import step_lines
from dashboards.heater_view import heater_lines
from dashboards.hours_view import bay_sentences, table_rows
from dashboards.notify.message import message_of
from dashboards.notify.picture import picture_svg
from dashboards.notify.watch import Kind, Notice
from dashboards.panels import hour_ticks
from dashboards.phone.chart import chart
from dashboards.plan_view import plan_lines
from dashboards.terminal.chart import Course, Frame, chart_lines
from dashboards.terminal.render.now import now_text
from dashboards.terminal.render.tonight import tonight_text
from dashboards.terminal.render.watch import Look, watch_lines
from dashboards.view import Reader
from dashboards.watch_feed import WatchFeed
from dashboards.watched_shed import watched_shed
from dashboards.window_view import day_words, window_words
from forecast.limits import Limit
from forecast.outlook import Outlook
from forecast.paths import Forecast
from forecast.plan import Placed, Plan, Schedule
from forecast.shed_now import ShedNow
from forecast.verdict import Limits, Verdict
from forecast.window_answer import Window
from tests.dashboards.notify.test_message import an_alarm
from tests.dashboards.phone.support import AT as SCENE_AT
from tests.dashboards.phone.support import an_outlook, moved
from tests.dashboards.test_heater_view import OUTLOOK as HEATER
from tests.dashboards.watching import GOOD_DAY, watched

H = timedelta(hours=1)
DUBLIN, NEW_YORK, ADELAIDE, LORD_HOWE = map(
    ZoneInfo, ("Europe/Dublin", "America/New_York", "Australia/Adelaide", "Australia/Lord_Howe")
)
# each: the zone, when its clocks change, and its hours from 90 min before to 90 min after by half hours
CHANGES = {
    "Dublin back": (
        DUBLIN,
        datetime(2026, 10, 25, 1, 0, tzinfo=UTC),
        ["00:30", "01:00 (1st)", "01:30 (1st)", "01:00 (2nd)", "01:30 (2nd)", "02:00", "02:30"],
    ),
    "Dublin forward": (
        DUBLIN,
        datetime(2026, 3, 29, 1, 0, tzinfo=UTC),
        ["Sat 23:30", "00:00", "00:30", "02:00", "02:30", "03:00", "03:30"],
    ),
    "New York back": (
        NEW_YORK,
        datetime(2026, 11, 1, 6, 0, tzinfo=UTC),
        ["00:30", "01:00 (1st)", "01:30 (1st)", "01:00 (2nd)", "01:30 (2nd)", "02:00", "02:30"],
    ),
    "New York forward": (
        NEW_YORK,
        datetime(2026, 3, 8, 7, 0, tzinfo=UTC),
        ["00:30", "01:00", "01:30", "03:00", "03:30", "04:00", "04:30"],
    ),
    "Adelaide back": (
        ADELAIDE,
        datetime(2026, 4, 4, 16, 30, tzinfo=UTC),
        ["01:30", "02:00 (1st)", "02:30 (1st)", "02:00 (2nd)", "02:30 (2nd)", "03:00", "03:30"],
    ),
    "Adelaide forward": (
        ADELAIDE,
        datetime(2026, 10, 3, 16, 30, tzinfo=UTC),
        ["00:30", "01:00", "01:30", "03:00", "03:30", "04:00", "04:30"],
    ),
    "Lord Howe back": (
        LORD_HOWE,
        datetime(2026, 4, 4, 15, 0, tzinfo=UTC),
        ["00:30", "01:00", "01:30 (1st)", "01:30 (2nd)", "02:00", "02:30", "03:00"],
    ),
}
CLOCKS = {
    "Dublin back": "clocks back to 01:00",
    "Dublin forward": "clocks on to 02:00",
    "New York back": "clocks back to 01:00",
    "New York forward": "clocks on to 03:00",
    "Adelaide back": "clocks back to 02:00",
    "Adelaide forward": "clocks on to 03:00",
    "Lord Howe back": "clocks back to 01:30",
}
BACK = datetime(2026, 10, 25, 1, 0, tzinfo=UTC)
EVENING = datetime(2026, 10, 24, 18, 0, tzinfo=UTC)
READER = Reader(DUBLIN)


@pytest.mark.parametrize("name", CHANGES)
def test_an_hour_that_comes_twice_is_told_apart_in_every_zone(name: str) -> None:
    zone, change, said = CHANGES[name]
    reader, morning = Reader(zone), change + 6 * H
    moments = [change + (i - 3) * H / 2 for i in range(7)]
    assert [reader.clock(at, morning) for at in moments] == said
    assert len(set(said)) == len(said)


@pytest.mark.parametrize("name", CHANGES)
def test_a_charts_hours_stand_at_their_moments(name: str) -> None:
    """No label falls on a half hour or stands twice; each is where its hour is."""
    zone, change, _ = CHANGES[name]
    start, end = change - 5 * H, change + 7 * H
    times = [to_us(start), to_us(end)]
    course = Course("air", "a", times, [10.0, 20.0], 1, Style())
    frame = Frame(start, end, change, (), "°C", zone)
    line = chart_lines([course], None, frame, 131, 8)[-1].plain
    labels = line.split()[1:]
    assert all(label.endswith(":00") or label.isalpha() for label in labels)
    assert len(set(labels)) == len(labels)
    inner = 131 - 5 - 1 - 3 - 1
    for label in labels:
        at = start + (line.index(label) - 6) / (inner - 1) * (end - start)
        local = (at + timedelta(minutes=4)).astimezone(zone)
        assert label in (f"{local:%H}:00", f"{local:%a}")


def test_first_lines_say_which_of_the_two_hours_it_is() -> None:
    for at, hour in ((BACK - H / 2, "01:30 (1st)"), (BACK + H / 2, "01:30 (2nd)")):
        head = f"tunnel  Sun 25 Oct {hour}"
        assert now_text(ShedNow("tunnel", at, ()), READER, 80).plain.splitlines()[0] == head
        assert tonight_text("tunnel", (), at, READER, 80).plain.splitlines()[0] == head


def test_a_window_over_the_change_has_both_hours() -> None:
    window = Window(BACK - H / 2, BACK + H / 2, Verdict.GO, 0.9, 0.92, BACK, Limit.HUMIDITY, None, None)
    assert window_words(window, EVENING, READER) == (
        "tomorrow Sun 01:30 (1st)-01:30 (2nd) (92 %), humidity ends it"
    )
    assert day_words(BACK + H / 2, BACK - 2 * H, READER) == "today 01:30 (2nd)"


def test_a_plan_over_the_change_has_both_hours() -> None:
    placed = Placed("plies", "keel", BACK - H / 2, BACK, BACK + H / 2, 0.92)
    schedule = Schedule((placed,), 0.92, Verdict.GO)
    plan = Plan(schedule, schedule, "", Limit.NONE)
    assert plan_lines(plan, EVENING, READER)[:2] == [
        "GO earliest (92 %)",
        ("  tomorrow Sun 01:30 (1st)-01:30 (2nd)  keel: plies, lay from 01:00 (2nd) (92 % so far)"),
    ]


def test_the_heater_over_the_change_has_both_hours() -> None:
    assert HEATER.overshoot is not None
    over = replace(HEATER.overshoot, peak_at=BACK + H / 2)
    advice = replace(HEATER.advice, by_at=BACK - H / 2, mix_at=BACK + 2 * H)
    told = replace(HEATER, at=BACK - H, overshoot=over, advice=advice, work=None, warm_up=None, fuel=None)
    lines = list(heater_lines(told, READER))
    assert lines[0].startswith("keel: Set 18.0 °C by 01:30 (1st). Mix at 03:00: ")
    assert lines[1].startswith("As it runs the air peaks at 24.6 °C, 01:30 (2nd) (24.2 °C to 25.0 °C)")


def evening(at: datetime) -> Outlook:
    """Return an outlook whose bands begin half an hour after a moment."""
    outlook = an_outlook()
    bays = [
        replace(bay, bands=tuple(moved(band, at - SCENE_AT) for band in bay.bands)) for bay in outlook.bays
    ]
    return replace(outlook, issued_at=at, bays=tuple(bays), cures=())


@pytest.mark.parametrize("name", CHANGES)
def test_pictures_mark_where_clocks_change(name: str) -> None:
    """On the phone, in a message, in a plot: each round hour once, at its moment, and the change in words."""
    zone, change, _ = CHANGES[name]
    start, reader = change - 5 * H, Reader(zone)
    outlook = evening(start)
    for svg, begins in ((chart(outlook, reader), 34.0), (picture_svg(outlook, "keel", start, reader), 48.0)):
        labels = re.findall(r'<text x="([\d.]+)"[^>]*>([^<]+)</text>', svg)
        hours = [words for _, words in labels if re.fullmatch(r"\d\d:\d\d", words)]
        assert hours
        assert len(set(hours)) == len(hours)
        assert all(words.endswith(":00") for words in hours)
        assert begins < float(next(x for x, words in labels if words == CLOCKS[name]))
    ticks = hour_ticks(to_us(start), 12.0, reader, every_h=3)
    assert [5.0, f"\n{CLOCKS[name]}"] in ticks
    assert ticks == sorted(ticks)


def test_on_other_nights_no_picture_speaks_of_clocks() -> None:
    outlook = evening(EVENING + 24 * H)
    for svg in (chart(outlook, READER), picture_svg(outlook, "keel", EVENING + 24 * H, READER)):
        assert "clocks" not in svg


def test_a_message_names_the_hour_it_means() -> None:
    notice = Notice(Kind.RAISED, "k1", (an_alarm(),), BACK - H, urgent=True, until_at=BACK + H / 2)
    text = message_of(notice, "tunnel", READER, BACK - H / 2).text
    assert "This holds until 01:30 (2nd)." in text
    assert "Without an answer by 01:30 (1st) this is told again." in text
    assert "tunnel, 01:00 (1st). layday advises" in text


def test_the_forecasts_hours_are_each_once(tmp_path: Path) -> None:
    """A table of the night has the hour that comes twice twice, and says which is which."""
    steps = np.arange(1, 97)
    times_us = to_us(EVENING) + steps * 1_800_000_000
    cold = 12.0 - 6.0 * np.exp(-(((steps - 15) / 4.0) ** 2))  # coldest half an hour after the change
    paths = {
        ("keel", name): np.repeat(values[None, :], 3, axis=0)
        for name, values in (("air_c", cold), ("part_c", cold + 1), ("humidity_pct", 60 + 0 * cold))
    }
    forecast = Forecast(EVENING, times_us, paths)
    limits = Limits(16.0, 30.0, 16.0, 30.0, 75.0, 3.0, 900.0)
    assert "about Sun 01:30 (2nd)" in bay_sentences(forecast, "keel", limits, READER)[0]
    _, rows = table_rows(forecast, "keel", READER)
    hours = [row[0] for row in rows]
    assert len(set(hours)) == len(hours)


def test_the_live_screen_tells_both_hours(tmp_path: Path) -> None:
    session = watched(tmp_path, GOOD_DAY, clock=ManualClock(BACK + H / 2))
    feed = WatchFeed(watched_shed(session), session.clock)
    sight = feed.look()
    feed.close()
    lines = [line.plain for line in watch_lines(sight, Look(), READER, 80, 24)]
    assert lines[0].startswith(" tunnel  Sun 25 Oct 01:30 (2nd)")
    assert all(len(line) <= 80 for line in lines)
    assert all(a != b for a, b in pairwise(line for line in lines if line.strip()))
    (cure,) = sight.cures
    assert "Next ply: " in step_lines(cure, READER, "")[0]
