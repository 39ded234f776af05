"""`layday windows` and `layday plan` as a person runs them."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from collector.config import LimitsConfig
from collector.domain import Reading
from collector.store.opening import open_store
from forecast.limits import Limit
from forecast.outlook import BayOutlook, Outlook
from forecast.outlook_book import open_outlooks
from forecast.shed_limits import limits_of
from forecast.verdict import Verdict, judge_bay
from forecast.window_answer import JobWindows
from tests.end_to_end.layday import Layday, sensor_lines

START = datetime(2026, 4, 1, tzinfo=UTC)
JOBS = """
[windows]
work_from = "06:00"
work_until = "22:00"
[[job]]
name = "hull"
work_h = 3
temp_min_c = 16.0
[[job]]
name = "fillet"
work_h = 1
card = "generic-vinyl-ester"
layers = 4
"""
PLAN = """
[[job]]
name = "fill"
work_h = 1
card = "generic-vinyl-ester"
layers = 4
[[job]]
name = "plies"
work_h = 2
card = "generic-vinyl-ester"
layers = 8
"""


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Layday:
    """Eight made-up days: 14 to 26 °C, dry by day and damp by night."""
    folder = tmp_path_factory.mktemp("windows")
    shed = Layday(folder, JOBS + sensor_lines("tunnel/keel/node", ("air_c", "humidity_pct", "part_c")))
    store = open_store(folder / "layday.sqlite")
    random = np.random.default_rng(4)
    readings = []
    for step in range(8 * 48):
        at = START + timedelta(minutes=30 * step)
        swing = float(np.sin((step - 16) * 2 * np.pi / 48))
        for name, value in (
            ("air_c", 20 + 6 * swing),
            ("part_c", 20 + 5 * swing),
            ("humidity_pct", 60 - 18 * swing),
        ):
            readings.append(Reading(f"keel.{name}", at, value + float(random.normal(0, 0.2)), at))
    store.add(readings)
    store.close()
    return shed


def test_windows_are_by_day_and_the_exit_code_says_go(shed: Layday) -> None:
    answer = shed.ask("windows", "hull", "--at", "2026-04-08T18:00Z", "--json")
    assert answer.returncode == 0, answer.stderr
    found = json.loads(answer.stdout)
    assert found["schema"] == "layday/windows/1"
    (hull,) = found["windows"]
    starts = [datetime.fromisoformat(one["start_at"]) for one in hull["windows"]]
    assert (hull["bay"], hull["job"], hull["verdict"]) == ("keel", "hull", "go")
    assert all(6 <= start.hour <= 19 for start in starts)


def test_without_a_job_named_all_are_answered_in_every_form(shed: Layday) -> None:
    plain = shed.ask("windows", "--at", "2026-04-08T18:00Z", "--plain")
    assert plain.returncode == 0, plain.stderr
    said = [line for line in plain.stdout.splitlines() if not line.startswith("Note")]
    assert [line.split(":")[0] for line in said[:2]] == ["keel, hull", "keel, fillet"]
    assert said[2:] == ["The resin maker's data sheet and local rules decide."]
    drawn = shed.ask("windows", "--at", "2026-04-08T18:00Z")
    assert " GO " in drawn.stdout


def test_another_job_can_be_asked_about_and_too_much_is_no_go(shed: Layday) -> None:
    asked = ("windows", "--work", "20", "--at", "2026-04-08T18:00Z", "--plain")
    answer = shed.ask(*asked)
    assert answer.returncode == 10
    assert "needs 20.0 h" in answer.stdout


def test_a_mistake_in_a_job_is_told_in_words(shed: Layday) -> None:
    for words, asked in (
        ("only a resin has stages", ("windows", "--work", "2", "--stage", "sandable")),
        ("configured: hull, fillet", ("windows", "deck")),
        ("bow", ("windows", "--bay", "bow", "--at", "2026-04-08T18:00Z")),
    ):
        answer = shed.ask(*asked)
        assert answer.returncode == 2
        assert words in answer.stderr
        assert "Traceback" not in answer.stderr


def test_a_plan_gives_the_jobs_their_hours(shed: Layday, tmp_path: Path) -> None:
    file = tmp_path / "jobs.toml"
    file.write_text(PLAN)
    answer = shed.ask("plan", str(file), "--at", "2026-04-08T18:00Z", "--json")
    assert answer.returncode in {0, 11}, answer.stderr
    found = json.loads(answer.stdout)
    fill, plies = (datetime.fromisoformat(one["start_at"]) for one in found["surest"]["jobs"])
    assert timedelta(hours=1) < plies - fill < timedelta(hours=48)
    assert shed.ask("plan", str(file), "--at", "2026-04-08T18:00Z").stdout.startswith("Only")


def test_a_mistake_in_a_plan_names_file_and_key(shed: Layday, tmp_path: Path) -> None:
    file = tmp_path / "jobs.toml"
    file.write_text(PLAN.replace("work_h = 2", "work_hours = 2"))
    answer = shed.ask("plan", str(file))
    assert answer.returncode == 2
    assert "jobs.toml: job[1].work_hours: no such setting" in answer.stderr


def test_decisions_and_nights_are_scored_with_every_promised_key(shed: Layday) -> None:
    file = shed.folder / "own.csv"
    assert shed.ask("export", str(file)).returncode == 0
    limits = ("--job-hours", "4", "--temp-min", "16", "--humidity-max", "75", "--margin-min", "3")
    answer = shed.ask("hindcast", str(file), "--windows", *limits, "--json")
    assert answer.returncode == 0, answer.stderr
    keel = json.loads(answer.stdout)["windows"]["keel"]
    assert set(keel) == {"n", "base_rate", "brier", "brier_skill", "go", "meter_rule", "reliability"}
    assert set(keel["go"]) == {"n", "wrong", "kept"}
    nights = shed.ask("hindcast", str(file), "--cures", "--json")
    assert nights.returncode == 0, nights.stderr
    assert json.loads(nights.stdout)["cures"]["keel"]["n"] >= 1


def test_a_fresh_outlook_of_the_service_is_not_worked_out_again(shed: Layday) -> None:
    """What the service has kept is what is said, though there are no readings of now."""
    now = datetime.now(UTC)  # noqa: TID251  the command asks the machine's clock too
    kept = JobWindows(
        "keel", "hull", Verdict.NO_GO, Verdict.NO_GO, (), None, 0.0, Limit.HUMIDITY, 180.0, 60.0, ()
    )
    bay = BayOutlook(judge_bay("keel", {}, limits_of(LimitsConfig())), windows=(kept,))
    book = open_outlooks(shed.folder / "layday.outlook.sqlite")
    assert book is not None
    book.keep(Outlook("shed", now, None, None, limits_of(LimitsConfig()), (bay,)))
    book.close()
    answer = shed.ask("windows", "hull", "--plain")
    assert answer.returncode == 10, answer.stderr
    assert "needs 3.0 h, the longest good stretch is 1.0 h" in answer.stdout
