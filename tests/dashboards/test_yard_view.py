"""What `layday yard` says, to the letter."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from dashboards.view import Reader
from dashboards.yard_view import yard_cells, yard_json, yard_sentence
from forecast.verdict import BayNow, Cause, Reason, Verdict
from forecast.yard import ShedLine
from forecast.yard_numbers import Stretch, Told
from tests.published import complaint

AT = datetime(2026, 4, 2, 20, 0, tzinfo=UTC)
READER = Reader(ZoneInfo("Europe/Dublin"), "metric")
HUMID = Reason(Cause.ABOVE, "humidity_pct", 82.0, 75.0, 2.0)
BAY = BayNow("sheer", Verdict.NO_GO, (HUMID,), 17.0, 82.0, 16.5, 13.9, None, 2.6, 0.7, 20.0)
WINDOW = Stretch(AT + timedelta(hours=11), AT + timedelta(hours=14, minutes=30))
LINE = ShedLine(
    "gull", Verdict.NO_GO, AT - timedelta(seconds=20), BAY, Told(AT, 2, Verdict.TIGHT, WINDOW, 9.7)
)

WHY = "sheer: humidity 82 % is above 75 %"
SILENT = ShedLine("tern", Verdict.NO_NEWS, None, None, None)


def test_a_line_has_verdict_cures_window_fuel_and_age() -> None:
    """Local time is the desk's; fuel is rounded down."""
    assert yard_cells(LINE, AT, READER) == (
        "gull", "no-go", "2 (tight)", "Fri 08:00 to Fri 11:30", "9 h", "20 s", WHY,
    )  # fmt: skip


def test_a_tight_window_and_fuel_enough_are_said() -> None:
    tight = Stretch(AT, WINDOW.end_at, Verdict.TIGHT)
    line = ShedLine("gull", Verdict.GO, AT, None, Told(AT, 0, Verdict.GO, tight, 72.0))
    assert yard_cells(line, AT, READER)[3:5] == ("now to Fri 11:30 (tight)", "over 3 days")


def test_what_is_not_known_is_a_question_mark() -> None:
    assert yard_cells(SILENT, AT, READER) == (
        "tern", "no news", "?", "?", "?", "silent", "nothing heard for two days",
    )  # fmt: skip


def test_a_plain_sentence_says_all_of_it() -> None:
    assert yard_sentence(LINE, AT, READER) == (
        "gull: no-go (sheer: humidity 82 % is above 75 %); live cures 2 (tight), "
        "next window Fri 08:00 to Fri 11:30, fuel 9 h, newest reading 20 s old."
    )


def test_json_tells_null_where_nobody_knows() -> None:
    answer = yard_json([LINE, SILENT], AT, READER)
    assert complaint(answer) == ""
    assert answer["sheds"] == [
        {
            "shed": "gull", "verdict": "no-go", "bay": "sheer", "reason": WHY,
            "live_cures": 2, "cures_verdict": "tight",
            "window": {"start": "2026-04-03T07:00:00Z", "end": "2026-04-03T10:30:00Z",
                       "verdict": "go"},
            "fuel_h": 9.7, "outlook_at": "2026-04-02T20:00:00Z",
            "heard_at": "2026-04-02T19:59:40Z", "age_s": 20.0,
        },
        {
            "shed": "tern", "verdict": "no news", "bay": None, "reason": "nothing heard for two days",
            "live_cures": None, "cures_verdict": None, "window": None, "fuel_h": None, "outlook_at": None,
            "heard_at": None, "age_s": None,
        },
    ]  # fmt: skip


def test_a_cure_off_track_is_the_reason_where_the_bays_are_fit() -> None:
    fit = BayNow("keel", Verdict.GO, (), 21.0, 55.0, 20.0, 11.6, None, 8.4, 0.7, 20.0)
    line = ShedLine("gull", Verdict.NO_GO, AT, fit, Told(AT, 1, Verdict.NO_GO, None, None))
    cells = yard_cells(line, AT, READER)
    assert (cells[2], cells[3], cells[4], cells[6]) == (
        "1 (no-go)",
        "none in sight",
        "?",
        "a cure is off track",
    )
