"""What people read of windows: exact words."""

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from dashboards.care import MORE_HEAT, SHEET_DECIDES
from dashboards.plan_view import plan_lines, plan_sentence
from dashboards.terminal.render.windows import windows_text
from dashboards.view import Reader
from dashboards.window_view import hour_marks, window_cautions, window_sentence, windows_json
from forecast.job import Job, JobLimits
from forecast.plan import plan
from forecast.verdict import Verdict
from forecast.window import Terms, windows
from forecast.window_json import dump_windows, load_windows
from tests.forecast.test_plan import BARE
from tests.forecast.test_window import FOUR_HOURS, STEPS, at, between, forecast, one

READER = Reader(ZoneInfo("Europe/Dublin"))  # an hour ahead of UTC in April


def test_a_window_is_one_short_sentence() -> None:
    humidity = between(33, 42, 60.0, 80.0)
    said = window_sentence(one(forecast({"humidity_pct": humidity})), at(8), READER)
    assert said == "keel, lay: go, tomorrow Fri 10:00-15:00 (99 %), humidity ends it."


def test_a_window_that_is_open_says_now() -> None:
    said = window_sentence(one(forecast({"humidity_pct": between(0, 9, 60.0, 80.0)})), at(0), READER)
    assert said == "keel, lay: go, now-06:00 (99 %), humidity ends it."


def test_no_window_says_what_is_in_the_way_and_what_would_open_one() -> None:
    said = window_sentence(one(forecast({"humidity_pct": between(9, 12 + 1 / 3, 60.0, 80.0)})), at(0), READER)
    assert said == (
        "keel, lay: no-go, not in 72 h: the air is too humid; no hour comes near; "
        "needs 4.0 h, the longest good stretch is 3.3 h; wait for the air to dry, until today 10:00; "
        "the air must be 5 % humidity drier for a start today 01:00; shorten the job by 40 min."
    )


def test_american_readers_get_their_degrees() -> None:
    said = window_sentence(one(forecast({"part_c": 13.0})), at(0), Reader(READER.zone, "us"))
    assert "the part needs 5.4 °F more for a start today 01:00" in said


def test_hours_are_marks() -> None:
    humidity = between(9, 15, 60.0, 90.0)
    assert (
        hour_marks(one(forecast({"humidity_pct": humidity})), at(0), hours=24) == ".........###............"
    )


def test_the_verdict_comes_first_on_a_terminal_of_any_width() -> None:
    found = windows(forecast({"humidity_pct": between(9, 15, 60.0, 90.0)}), [FOUR_HOURS], ["keel"])
    for width in (40, 80, 120):
        lines = windows_text("tunnel", found, at(0), READER, width).plain.splitlines()
        assert lines[2].startswith(" + GO  keel, lay")
        assert all(len(line) <= width for line in lines)


def test_advice_to_heat_is_never_without_what_can_hurt() -> None:
    """Nor any advice without whose word counts; where nothing is advised nothing is warned of."""
    cold = windows_text("tunnel", [one(forecast({"part_c": 13.0}))], at(0), READER, 300).plain.splitlines()
    assert cold[-2:] == [MORE_HEAT, SHEET_DECIDES]
    humid = forecast({"humidity_pct": between(9, 12 + 1 / 3, 60.0, 80.0)})
    damp = windows_text("tunnel", [one(humid)], at(0), READER, 300).plain
    assert MORE_HEAT not in damp
    assert damp.endswith(SHEET_DECIDES)
    silent = replace(one(forecast()), verdict=Verdict.NO_NEWS, windows=(), openings=())
    assert window_cautions([silent]) == []


def test_a_plan_names_each_job_with_its_hours() -> None:
    found = plan(forecast(), [BARE, BARE], Terms())
    assert plan_lines(found, at(0), READER) == [
        "GO earliest (99 %)",
        "  today 01:00-03:00  keel: sand (99 % so far)",
        "  today 03:00-05:00  keel: sand (99 % so far)",
        f"- {SHEET_DECIDES}",
    ]
    assert plan_sentence(found, at(0), READER).endswith("maker's data sheet and local rules decide.")


@given(st.integers(0, STEPS), st.integers(0, 200), st.floats(40.0, 90.0), st.floats(10.0, 25.0))
def test_stored_windows_come_back_as_they_were(first: int, length: int, inside: float, part: float) -> None:
    humidity = between(first / 6, (first + length) / 6, inside, 80.0)
    job = Job("lay", 120.0, 30.0, limits=JobLimits(part_min_c=16.0, humidity_max_pct=75.0, margin_min_k=3.0))
    answer = one(forecast({"humidity_pct": humidity, "part_c": part}), job)
    assert load_windows(dump_windows(answer)) == answer


def test_json_carries_its_schema_and_utc() -> None:
    data = windows_json([one(forecast())], at(0) + timedelta(minutes=5))
    assert data["schema"] == "layday/windows/1"
    assert data["at"] == "2026-04-02T00:05:00Z"
