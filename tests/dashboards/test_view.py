"""What people read: words, units, local times."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from dashboards.terminal.render.now import now_text
from dashboards.view import Reader, age_words, bay_sentence, reason_words
from forecast.shed_now import ShedNow
from forecast.verdict import Cause, Limits, Measured, Reason, judge_bay

LIMITS = Limits(16, 30, 16, 30, 75, 3, 900)
METRIC, US = Reader(), Reader(units="us")


def humidity(value: float, cause: Cause) -> Reason:
    return Reason(cause, "humidity_pct", value, 75.0, 2.0)


def test_a_value_just_beyond_its_limit_is_told_with_the_digits_that_show_it() -> None:
    assert reason_words(humidity(84.0, Cause.ABOVE), METRIC) == "humidity 84 % is above 75 %"
    assert reason_words(humidity(75.3, Cause.ABOVE), METRIC) == "humidity 75.3 % is above 75.0 %"
    cold = Reason(Cause.BELOW, "part_c", 15.97, 16.0, 0.5)
    assert reason_words(cold, METRIC) == "part 15.97 °C is below 16.00 °C"


def test_temperatures_and_differences_turn_into_fahrenheit_each_in_its_way() -> None:
    """16 °C is 60.8 °F; a margin of 3 °C is 5.4 °F (differences have no offset)."""
    assert reason_words(Reason(Cause.BELOW, "air_c", 10.0, 16.0, 0.3), US) == "air 50.0 °F is below 60.8 °F"
    assert reason_words(Reason(Cause.BELOW, "margin_k", 1.0, 3.0, 0.7), US) == "margin 1.8 °F is below 5.4 °F"


def test_a_day_is_named_where_it_is_not_today_also_over_a_clock_change() -> None:
    """In Dublin the clocks went back at 01:00 UTC on 25 October 2026."""
    dublin = Reader(zone=ZoneInfo("Europe/Dublin"))
    evening = datetime(2026, 10, 24, 21, 0, tzinfo=UTC)
    assert dublin.clock(evening, evening) == "22:00"
    assert dublin.clock(datetime(2026, 10, 25, 5, 0, tzinfo=UTC), evening) == "Sun 05:00"


@pytest.mark.parametrize(
    ("age_s", "words"), [(0, "0 s"), (99, "99 s"), (100, "1 min"), (3600, "1 h"), (-5, "0 s")]
)
def test_ages(age_s: float, words: str) -> None:
    assert age_words(age_s) == words


def shed() -> ShedNow:
    damp = {"air_c": Measured(18, 5), "humidity_pct": Measured(84, 5), "part_c": Measured(17, 5)}
    silent = {"air_c": Measured(18, 5), "humidity_pct": Measured(60, 5), "part_c": Measured(17, 1500)}
    bays = (judge_bay("keel", damp, LIMITS), judge_bay("sheer", silent, LIMITS))
    return ShedNow("tunnel", datetime(2026, 4, 3, 12, tzinfo=UTC), bays)


def test_no_news_comes_first_and_each_bay_says_why_and_what_to_do() -> None:
    assert now_text(shed(), METRIC, 80).plain == (
        "tunnel  Fri 03 Apr 12:00\n"
        "\n"
        " ? NO NEWS  sheer  cannot tell\n"
        "  part probe silent for 25 min\n"
        "  What to do: check the sensor, its power and its cable; 'layday check' says\n"
        "  more\n"
        "  air      part     dew point  margin  humidity  age\n"
        "  18.0 °C  17.0 °C  10.1 °C    -       60 %      25 min\n"
        "\n"
        " x NO-GO  keel  not fit to glass\n"
        "  margin 1.7 °C is below 3.0 °C\n"
        "  humidity 84 % is above 75 %\n"
        "  What to do: warm the part, or dry the air, before any resin goes on\n"
        "  air      part     dew point  margin       humidity  age\n"
        "  18.0 °C  17.0 °C  15.3 °C    1.7 °C ±0.8  84 %      5 s"
    )


@pytest.mark.parametrize("width", [40, 50, 80, 120, 200])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    lines = now_text(shed(), METRIC, width).plain.splitlines()
    assert max(map(len, lines)) <= width


def test_one_plain_sentence_a_bay() -> None:
    assert bay_sentence(shed().bays[1], METRIC) == (
        "sheer: no news, cannot tell: part probe silent for 25 min."
    )
