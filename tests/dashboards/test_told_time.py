"""Times as people tell them, also on the nights when clocks change."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.errors import InputError
from dashboards.told_time import coming_time, told_time

DUBLIN = ZoneInfo("Europe/Dublin")
# Summer time: clocks go forward on 2026-03-29 at 01:00 UTC and back on 2026-10-25 at 01:00 UTC.
SPRING = datetime(2026, 3, 29, 5, 0, tzinfo=UTC)
AUTUMN = datetime(2026, 10, 25, 5, 0, tzinfo=UTC)
EVENING = datetime(2026, 4, 2, 21, 10, tzinfo=UTC)  # 22:10 in Dublin


@pytest.mark.parametrize("text", ["21:40", "2140", "21.40", "21h40", " 21:40 "])
def test_an_hour_alone_is_the_last_such_moment(text: str) -> None:
    assert told_time(text, EVENING, DUBLIN).at == datetime(2026, 4, 2, 20, 40, tzinfo=UTC)
    after_midnight = datetime(2026, 4, 3, 1, 0, tzinfo=UTC)
    assert told_time(text, after_midnight, DUBLIN).at == datetime(2026, 4, 2, 20, 40, tzinfo=UTC)


def test_an_hour_still_to_come_was_yesterdays() -> None:
    """Save for two minutes, by which a phone's clock may run ahead."""
    assert told_time("22:11", EVENING, DUBLIN).at == EVENING + timedelta(minutes=1)
    assert told_time("22:13", EVENING, DUBLIN).at == EVENING + timedelta(minutes=3, days=-1)
    just_before_midnight = datetime(2026, 4, 2, 22, 59, 30, tzinfo=UTC)
    assert told_time("0:00", just_before_midnight, DUBLIN).at == datetime(2026, 4, 2, 23, 0, tzinfo=UTC)


def test_now_is_now() -> None:
    assert told_time("now", EVENING, DUBLIN).at == EVENING


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("2026-04-02T21:40", datetime(2026, 4, 2, 20, 40, tzinfo=UTC)),
        ("2026-04-02 21:40", datetime(2026, 4, 2, 20, 40, tzinfo=UTC)),
        ("2026-04-02T21:40Z", datetime(2026, 4, 2, 21, 40, tzinfo=UTC)),
        ("2026-04-02T21:40-03:30", datetime(2026, 4, 3, 1, 10, tzinfo=UTC)),
    ],
)
def test_a_date_and_time_is_the_sheds_unless_it_has_an_offset(text: str, at: datetime) -> None:
    assert told_time(text, EVENING, DUBLIN) == (at, "")


def test_an_hour_that_came_twice_is_the_later_one_and_the_other_is_named() -> None:
    """01:30 came at 00:30 UTC and again at 01:30 UTC."""
    told = told_time("1:30", AUTUMN, DUBLIN)
    assert told.at == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert told.remark == (
        "01:30 came twice that night, as clocks were put back: taken is the second; "
        "for the first write --at 2026-10-25T01:30+01:00"
    )
    other = told_time("2026-10-25T01:30+01:00", AUTUMN, DUBLIN)
    assert other == (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "")


def test_while_it_has_only_come_once_it_is_the_first() -> None:
    """At 00:40 UTC the clocks say 01:40 for the first time: 01:30 was ten minutes ago."""
    told = told_time("01:30", datetime(2026, 10, 25, 0, 40, tzinfo=UTC), DUBLIN)
    assert told.at == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert "taken is the first" in told.remark


def test_a_date_that_came_twice_is_the_first_of_the_two() -> None:
    told = told_time("2026-10-25T01:30", AUTUMN, DUBLIN)
    assert told.at == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert told.remark.endswith("for the second write --at 2026-10-25T01:30+00:00")


def test_an_hour_that_clocks_skipped_is_refused() -> None:
    """On 29 March there was no 01:30 in Dublin."""
    for text in ("01:30", "2026-03-29T01:30"):
        with pytest.raises(InputError, match="put forward"):
            told_time(text, SPRING, DUBLIN)
    # just before the change it was yesterday's
    before = datetime(2026, 3, 29, 0, 30, tzinfo=UTC)
    assert told_time("01:30", before, DUBLIN).at == datetime(2026, 3, 28, 1, 30, tzinfo=UTC)


@pytest.mark.parametrize("text", ["", "24:00", "21:60", "940pm", "soon", "21:4", "2026-13-01T10:00"])
def test_what_is_no_time_is_refused_with_examples(text: str) -> None:
    with pytest.raises(InputError, match="write 21:40, 2026-04-03T21:40"):
        told_time(text, EVENING, DUBLIN)


@given(
    st.integers(0, 4 * 366 * 24 * 60).map(
        lambda minutes: datetime(2024, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
    ),
    st.sampled_from(["Europe/Dublin", "America/St_Johns", "Australia/Lord_Howe", "UTC"]),
    st.integers(0, 23 * 60),
)
def test_the_shown_time_of_any_moment_of_the_last_day_leads_back_to_it(
    now: datetime, name: str, back_min: int
) -> None:
    """Or to its twin an hour (on Lord Howe Island half an hour) away, and then the remark says so."""
    zone = ZoneInfo(name)
    at = (now - timedelta(minutes=back_min)).replace(second=0, microsecond=0)
    told = told_time(f"{at.astimezone(zone):%H:%M}", now, zone)
    if told.at != at:
        assert told.remark
        assert abs(told.at - at) <= timedelta(hours=1)


def test_an_hour_to_come_is_the_next_such_moment() -> None:
    """22:10 in Dublin: seven is tomorrow's, eleven tonight's; an hour that clocks skip is the day after's."""
    assert coming_time("07:00", EVENING, DUBLIN, "--by") == datetime(2026, 4, 3, 6, 0, tzinfo=UTC)
    assert coming_time("23:00", EVENING, DUBLIN, "--by") == datetime(2026, 4, 2, 22, 0, tzinfo=UTC)
    night_before = datetime(2026, 3, 28, 22, 0, tzinfo=UTC)
    assert coming_time("1:30", night_before, DUBLIN, "--by") == datetime(2026, 3, 30, 0, 30, tzinfo=UTC)
    assert coming_time("2026-04-05T07:00", EVENING, DUBLIN, "--by") == datetime(2026, 4, 5, 6, 0, tzinfo=UTC)
    with pytest.raises(InputError, match="--by 25:00 is no time"):
        coming_time("25:00", EVENING, DUBLIN, "--by")
