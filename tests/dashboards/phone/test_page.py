"""The page: small, fresh things first, and nothing from outside is ever taken for HTML."""

import json
from datetime import timedelta
from html.parser import HTMLParser

from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.age import age_words
from dashboards.phone.board import STALE
from dashboards.phone.shell import page
from dashboards.view import Reader
from forecast.outlook import OUTLOOK_STALE
from tests.dashboards.phone.support import an_outlook, board, drawing, some_alarms

NASTY = (
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "keel' onload='x", "</title></style>",
    "&lt;b&gt;", "a\r\nSet-Cookie: x=1", "javascript:alert(1)", "\u202e\u0000\ud7ff", "{{7*7}}", "--><!--",
)  # fmt: skip
names = st.one_of(st.sampled_from(NASTY), st.text(min_size=1, max_size=60))


class Tags(HTMLParser):
    """Collects what a browser would take for elements, attributes and words."""

    def __init__(self) -> None:
        super().__init__()
        self.shape: list[tuple[str, tuple[str, ...]]] = []
        self.words = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.shape.append((tag, tuple(name for name, _ in attrs)))

    def handle_data(self, data: str) -> None:
        self.words += data


def tags(html: bytes) -> Tags:
    found = Tags()
    found.feed(html.decode())
    return found


PLAIN = tags(page(board(watch=some_alarms()).sight(), "n", 1.0))


def test_it_is_under_20_kb_with_its_chart() -> None:
    """Two bays, a cure, a window, a heater and three alarms with their buttons."""
    html = page(board(watch=some_alarms()).sight(), "n" * 32, 1.0, "f" * 64)
    assert b"<svg" in html
    assert len(html) < 20_000


def test_freshness_comes_first_then_the_verdict_in_the_first_heading() -> None:
    words = PLAIN.words[PLAIN.words.index("tunnel: Newest") :]
    assert words.startswith("tunnel: Newest reading 60 s old")
    headings = [tag for tag, _ in PLAIN.shape if tag in {"h1", "h2", "h3"}]
    assert headings[0] == "h1"
    assert headings.count("h1") == 1
    assert "BARELY ON TRACK" in words[:400]
    assert "70" in words[:400]  # the odds


def test_every_bar_has_its_label_and_the_chart_its_description() -> None:
    html = page(board().sight(), "n", 1.0).decode()
    for stage in ("gel", "tackfree", "sandable"):
        key = f"s0{stage if stage != 'tackfree' else 'tack_free'}"
        assert f'<label for="{key}">' in html
        assert f'id="{key}" max="100"' in html
    assert 'role="img" aria-labelledby="ct" aria-describedby="cd"' in html
    assert "Part coldest about 12.0\u00a0°C" in html.replace("12.0 °C", "12.0\u00a0°C")


def test_windows_are_told_with_their_odds_and_what_ends_them() -> None:
    html = page(board().sight(), "n", 1.0).decode()
    assert "<h2>Windows, next 72 hours</h2>" in html
    assert "humidity ends it" in html


def test_a_rescue_at_night_carries_what_can_hurt() -> None:
    html = page(board().sight(), "n", 1.0).decode()
    assert "To do:" in html
    assert "a carbon monoxide alarm that works; leave alone only a heater made for that" in html


def test_an_old_outlook_is_no_news_and_says_what_it_was() -> None:
    assert STALE == OUTLOOK_STALE
    late = board(late=STALE + timedelta(seconds=1))
    html = page(late.sight(), "n", 1.0).decode()
    assert '<h1 id="word">NO NEWS</h1>' in html
    assert "it was BARELY ON TRACK" in html
    assert "<title>NO NEWS" in html


def test_before_the_first_outlook_it_is_no_news() -> None:
    from collector.clock import ManualClock
    from dashboards.phone.board import Board
    from tests.dashboards.phone.support import AT

    html = page(Board(ManualClock(AT), "t").sight(), "n", 1.0).decode()
    assert '<h1 id="word">NO NEWS</h1>' in html


@settings(max_examples=40)
@given(names, names)
def test_no_name_becomes_an_element_or_an_attribute(bay: str, part: str) -> None:
    found = tags(page(board(an_outlook(bay, part), watch=some_alarms(bay, part)).sight(), "n", 1.0))
    assert found.shape == PLAIN.shape


@settings(max_examples=25)
@given(names)
def test_every_view_is_json_that_carries_the_name(bay: str) -> None:
    views = drawing(an_outlook(bay)).views
    assert set(views) == {"outlook", "now", "tonight", "windows", "heater", "alarms"}
    assert json.loads(views["outlook"])["bays"][0]["now"]["bay"] == bay
    assert json.loads(views["now"])["bays"][0]["bay"] == bay


def test_people_of_fahrenheit_get_fahrenheit() -> None:
    rest = drawing(reader=Reader(units="us")).rest
    assert "°F" in rest
    assert "°C" not in rest


def test_ages_are_told_in_the_words_that_the_script_uses_too() -> None:
    assert [age_words(age) for age in (40.0, 130.0, 7500.0)] == ["40 s", "2 min", "2 h 5 min"]
