"""The live screen in lines: what is first, and that it fits."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import ManualClock
from dashboards.session import Session
from dashboards.terminal.big import big_lines
from dashboards.terminal.render.watch import Look, watch_lines
from dashboards.view import Reader
from dashboards.watch_feed import WatchFeed
from dashboards.watch_view import Sight
from dashboards.watched_shed import watched_shed
from forecast.heater_state import Sign
from tests.dashboards.watching import AT, COLD_NIGHT, GOOD_DAY, Scene, watched
from tests.forecast.test_outlook_json import a_heater

METRIC = Reader()
MAIN = Look()


class Sights(dict[str, Sight]):
    """Sights by name; a failing example need not print them."""

    def __repr__(self) -> str:
        return "sights"


@pytest.fixture(scope="module")
def sights(tmp_path_factory: pytest.TempPathFactory) -> Sights:
    """A good day and a cold night, each with a cure."""
    return Sights(
        {
            name: seen(watched(tmp_path_factory.mktemp(name), scene))
            for name, scene in (("good", GOOD_DAY), ("cold", COLD_NIGHT))
        }
    )


def seen(session: Session) -> Sight:
    feed = WatchFeed(watched_shed(session), session.clock)
    try:
        return feed.look()
    finally:
        feed.close()


def text(
    sight: Sight, look: Look = MAIN, size: tuple[int, int] = (80, 24), reader: Reader = METRIC
) -> list[str]:
    return [line.plain.rstrip() for line in watch_lines(sight, look, reader, *size)]


def test_a_good_day_reads_so(sights: Sights) -> None:
    assert text(sights["good"])[:15] == [
        " tunnel  Thu 02 Apr 19:04                                      readings 0 s old",
        "  + GO  every bay",
        " fit to glass",
        "",
        "                       part       air        humidity   margin     dew point",
        "  + GO       keel      20.5 °C    21.6 °C    53 %       8.8 °C     11.6 °C",
        "  + GO       sheer     19.0 °C    20.1 °C    53 %       8.7 °C     10.2 °C",
        "",
        "  + ON TRACK  k1 hull, keel",
        "   gel, on the way to tack-free; sandable by Fri 07:00: 99 % likely.",
        "   tack-free [########..] 85 %, about 19:25 (19:17 to 19:33)",
        "   then sandable about Fri 05:26 (04:34 to 06:18)",
        "  + GO       lay-up, keel: tomorrow Fri 07:00-16:00 (99 %)",
        "  + GO       lay-up, sheer: tomorrow Fri 07:00-16:00 (99 %)",
        "",
    ]


def test_a_cure_in_trouble_comes_before_a_bay_that_is_not_fit(sights: Sights) -> None:
    lines = text(sights["cold"])
    assert lines[1:4] == [
        "  x OFF TRACK  k1 hull, keel",
        " gel, on the way to tack-free; sandable by Fri 07:00: hardly possible",
        " To do: keep the part 7 °C warmer than forecast (about 20 °C) from 19:43 on",
    ]
    assert sum("OFF TRACK" in line for line in lines) == 1


def test_no_news_comes_before_all_else(tmp_path: Path) -> None:
    session = watched(tmp_path, COLD_NIGHT)
    assert isinstance(session.clock, ManualClock)
    session.clock.advance(timedelta(minutes=25))
    lines = text(seen(session))
    assert lines[0].endswith("readings 25 min old")
    assert lines[1].startswith("  ? NO NEWS  ")
    assert any(line.startswith(" To do: check the sensor") for line in lines[:8])
    assert any("outlook is 25 min old: not to be relied on" in line for line in lines)


def test_a_store_that_cannot_be_read_is_no_news_in_its_own_words(tmp_path: Path) -> None:
    session = watched(tmp_path)
    session.store_path.rename(tmp_path / "away.sqlite")
    lines = text(seen(session))
    assert lines[1] == "  ? NO NEWS  tunnel"
    assert "there is no store yet" in " ".join(" ".join(lines).split())


def test_a_narrow_screen_has_lists_and_the_verdict_first(sights: Sights) -> None:
    lines = text(sights["good"], size=(50, 20))
    assert "  + GO  keel" in lines
    assert "   part 20.5 °C, air 21.6 °C, 53 %, margin 8.8 °C" in lines


def test_the_heater_says_what_to_do_and_where_its_air_peaks(sights: Sights) -> None:
    sight = sights["good"]
    assert sight.outlook is not None
    keel, sheer = sight.outlook.bays
    heater = replace(a_heater(), at=sight.at)
    heated = replace(sight, outlook=replace(sight.outlook, bays=(replace(keel, heater=heater), sheer)))
    assert text(heated)[1:4] == [  # all else is well, so it comes first
        "  ~ TIGHT  heater, keel",
        " the air peaks at 24.0 °C at 23:30",
        " To do: Off at 23:00. Mix at 23:30: 29 min of work time, 90 % sure",
    ]
    stopped = replace(heater, sign=Sign.HEATER_STOPPED, sign_since=sight.at - timedelta(minutes=12))
    out = replace(sight, outlook=replace(sight.outlook, bays=(replace(keel, heater=stopped), sheer)))
    assert text(out)[1:4] == [
        "  x NO-GO  heater, keel",
        " HEATER STOPPED, since 18:52",
        " To do: see to the flame, the gas and the switch; cover the part",
    ]
    wet = replace(sights["cold"], cures=(), outlook=heated.outlook)
    assert "  ~ TIGHT    heater, keel: Off at 23:00; air peaks at 24.0 °C at 23:30" in text(wet)
    wide = " ".join(" ".join(text(wet, size=(120, 40))).split())
    assert "air peaks at 24.0 °C at 23:30. Mix at 23:30: 29 min of work time, 90 % sure" in wide
    old = replace(heated, at=sight.at + timedelta(minutes=30))
    assert "heater, keel" not in " ".join(text(old))


def test_the_big_view_is_one_word_and_one_number(sights: Sights) -> None:
    lines = text(sights["good"], Look(view="big", plain=True), (60, 20))
    assert [line for line in lines if "#" in line][:5] == [f"  {row}" for row in big_lines("GO", 56, 7)]
    assert " every bay: margin, keel" in lines
    late = text(sights["cold"], Look(view="big", plain=True))
    assert " k1 hull, keel: odds of sandable by Fri 07:00" in late


def test_the_hours_move_back_and_ahead(sights: Sights) -> None:
    now, ahead = (text(sights["good"], Look(view="hours", shift_h=h)) for h in (0, 24))
    assert now != ahead
    assert "Sat" in " ".join(ahead)


def test_what_is_too_long_is_cut_and_said_and_can_be_moved(sights: Sights) -> None:
    cures = tuple(replace(sights["good"].cures[0], key=f"k{i}") for i in range(9))
    many = replace(sights["good"], cures=cures)
    lines = text(many)
    assert "more lines: down" in lines[-2]
    assert "k8" not in " ".join(lines)
    assert "k8" in " ".join(text(many, Look(scroll=99)))


def test_fahrenheit_everywhere_or_nowhere(sights: Sights) -> None:
    lines = text(sights["cold"], reader=Reader(units="us"))
    assert "°C" not in "".join(lines)
    assert any("°F" in line for line in lines)


@given(
    name=st.sampled_from(["good", "cold"]),
    view=st.sampled_from(["main", "big", "hours", "help"]),
    size=st.tuples(st.integers(0, 15) | st.integers(16, 200), st.integers(0, 60)),
    ascii_only=st.booleans(),
)
def test_it_fits_any_terminal_exactly(
    sights: Sights,
    name: str,
    view: str,
    size: tuple[int, int],
    ascii_only: bool,  # noqa: FBT001
) -> None:
    look = Look(view=view, plain=ascii_only, only_ascii=ascii_only)
    lines = watch_lines(sights[name], look, METRIC, *size)
    assert len(lines) == size[1]
    assert all(line.cell_len <= size[0] for line in lines)
    if ascii_only:
        assert all(line.plain.isascii() for line in lines)


def test_words_tell_verdicts_without_colour(sights: Sights) -> None:
    """Stripped of every colour, each verdict is still a word and a symbol."""
    plain = "\n".join(text(sights["good"]))
    assert "+ GO" in plain
    assert "+ ON TRACK" in plain


def test_before_anything_is_heard_it_says_how_to_begin(tmp_path: Path) -> None:
    sight = replace(seen(watched(tmp_path, Scene(), cure_h=None)), cures=(), outlook=None)
    assert sight.now is not None
    nothing = replace(sight, now=replace(sight.now, bays=()))
    lines = " ".join(text(nothing))
    assert "no bay is configured" in lines
    assert "layday demo" in lines
    assert "No outlook yet" in lines
    assert sight.at == AT
