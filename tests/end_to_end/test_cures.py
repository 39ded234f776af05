"""Cures as a person enters and asks about them: real processes, a real store and journal."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.domain import Reading
from collector.store.opening import open_store
from tests.end_to_end.layday import Layday, sensor_lines

LAID_AT = datetime(2026, 4, 2, 20, 40, tzinfo=UTC)
START = ("cure", "start", "keel", "hull", "--card", "generic-vinyl-ester", "--percent", "1.75")


@pytest.fixture
def shed(tmp_path: Path) -> Layday:
    """A shed whose part was at 20 °C, a row of the card's tables, from two hours before laying."""
    shed = Layday(tmp_path, sensor_lines("tunnel/keel/node", ("air_c", "humidity_pct", "part_c")))
    store = open_store(tmp_path / "layday.sqlite")
    moments = [LAID_AT + timedelta(minutes=m) for m in range(-120, 60 * 24, 5)]
    store.add([Reading("keel.part_c", at, 20.0, at) for at in moments])
    store.close()
    return shed


def at(hours: float) -> str:
    return f"{LAID_AT + timedelta(hours=hours):%Y-%m-%dT%H:%MZ}"


def test_a_night_from_laying_to_sanding(shed: Layday) -> None:
    """At 20 °C the card prints 2.5 h to tack-free, 12 h to sandable, 22 h to handling."""
    done = shed.ask(*START, "--lot", "A7", "--at", at(0.0))
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("k1: hull, keel; generic-vinyl-ester, 1.75 %, lot A7; laid ")
    assert "Peroxide and promoter must never meet" in done.stdout
    assert shed.ask("cure", "mark", "g", "--at", at(0.6)).returncode == 0
    shown = json.loads(shed.ask("cure", "show", "k1", "--at", at(13.0), "--json").stdout)
    assert shown["schema"] == "layday/cure/1"
    by_stage = {stage["stage"]: stage for stage in shown["stages"]}
    assert by_stage["gel"]["reached_at"] == "2026-04-02T21:16:00Z"
    assert by_stage["gel"]["seen"]
    for stage, hours in (("tack-free", 2.5), ("sandable", 12.0)):
        # told to the whole second
        took = datetime.fromisoformat(by_stage[stage]["reached_at"]) - LAID_AT
        assert took / timedelta(hours=1) == pytest.approx(hours, rel=2e-4)
    assert by_stage["handling"]["reached_at"] is None
    assert by_stage["handling"]["progress"] == pytest.approx(13.0 / 22.0, rel=2e-4)
    assert by_stage["sandable"]["degree_hours"] == pytest.approx(12.0 * (20.0 - 5.0), rel=2e-4)
    # full takes 240 h at 20 °C and 144 h at the card's reference of 25 °C
    assert shown["equivalent_hours"] == pytest.approx(13.0 * 144.0 / 240.0, rel=2e-4)
    assert [entry["kind"] for entry in shown["journal"]] == ["start", "mark"]
    tonight = shed.ask("tonight", "--at", at(13.0))
    assert tonight.returncode == 0
    assert "k1  hull, keel: sandable, on the way to handling" in tonight.stdout
    assert "9 h at 20.0 °C or 5.7 h at 25.0 °C would bring it to handling." in tonight.stdout
    assert shed.ask("tonight", "--at", at(24.0 * 30.0)).returncode == 12  # a month of silence since


def test_a_cure_is_shown_while_it_is_live_and_no_longer(shed: Layday) -> None:
    shed.ask(*START, "--at", at(0.0))
    assert shed.ask("cure", "end", "--at", at(10.0)).returncode == 0
    nights = {h: json.loads(shed.ask("tonight", "--at", at(h), "--json").stdout) for h in (-1.0, 9.0, 11.0)}
    assert [len(night["cures"]) for night in nights.values()] == [0, 1, 0]
    assert shed.ask("cure", "list").stdout == "No live cure.\n"
    assert "Over." in shed.ask("cure", "list", "--all").stdout
    assert shed.ask("cure", "undo").returncode == 0
    listed = json.loads(shed.ask("cure", "list", "--json").stdout)
    assert [cure["id"] for cure in listed["cures"]] == ["k1"]


def test_a_mistake_is_corrected_by_a_further_entry(shed: Layday) -> None:
    shed.ask(*START, "--at", at(0.0))
    done = shed.ask("cure", "fix", "--percent", "1.5", "--at", at(-0.5))
    assert "generic-vinyl-ester, 1.5 %" in done.stdout
    shown = json.loads(shed.ask("cure", "show", "--at", at(1.0), "--json").stdout)
    assert (shown["percent"], shown["laid_at"]) == (1.5, "2026-04-02T20:10:00Z")
    assert [entry["kind"] for entry in shown["journal"]] == ["start", "fix"]


def test_what_cannot_be_is_refused_and_not_entered(shed: Layday) -> None:
    """Each with exit code 2 and one line that says what to do."""
    refused = (
        (("cure", "mark", "g"), "no cure is live"),
        ((*START[:4], "--card", "no-such-card", "--percent", "1"), "no-such-card"),
        (("cure", "start", "kell", "hull"), "no bay is called 'kell'; there are keel"),
        ((*START, "--at", "2099-01-01T00:00Z"), "yet to come"),
        ((*START, "--mass", "12oz"), "oz"),
        ((*START, "--resin", "18"), "18"),
        (("cup", "27min", "--temp", "20C"), "--card"),
    )
    for words, said in refused:
        done = shed.ask(*words)
        assert done.returncode == 2, words
        assert said in done.stderr
        assert "Traceback" not in done.stderr
    assert shed.ask("cure", "list", "--all").stdout == "No cure yet.\n"


def test_cups_teach_the_lot(shed: Layday) -> None:
    """At 20 °C and 1.75 % the card says 28-38 min; this lot's cups take 25."""
    shed.ask(*START, "--lot", "A7", "--at", at(0.0))
    for _ in range(3):
        done = shed.ask("cup", "25", "--temp", "68F", "--at", at(0.5))
    assert "lot A7 gels" in done.stdout
    assert "quicker than its sheet (3 pots)" in done.stdout
    gel = json.loads(shed.ask("cure", "show", "--at", at(0.6), "--json").stdout)["stages"][0]
    assert gel["reached_at"] is not None  # the sheet alone: 33 min after laying, at 21:13
    assert gel["reached_at"] < "2026-04-02T21:12:00Z"


def test_a_cold_part_is_off_track(shed: Layday) -> None:
    """Scripts see it from the exit code."""
    store = open_store(shed.folder / "layday.sqlite")
    cold = [LAID_AT + timedelta(hours=24, minutes=m) for m in range(0, 600, 5)]
    store.add([Reading("keel.part_c", moment, 9.0, moment) for moment in cold])
    store.close()
    shed.ask(*START, "--at", at(24.5))
    answer = shed.ask("tonight", "--at", at(30.0))
    assert answer.returncode == 10
    assert "STALLED" in answer.stdout
    assert "Off track: sandable by 07:00." in answer.stdout


def test_a_card_that_is_gone_hides_no_other_cure(shed: Layday) -> None:
    card = shed.folder / "mine.toml"
    shipped = Path("forecast/cards/generic-vinyl-ester.toml").read_text(encoding="utf-8")
    card.write_text(shipped, encoding="utf-8")
    assert shed.ask(*START, "--at", at(0.0)).returncode == 0
    second = shed.ask("cure", "start", "keel", "stem", "-c", str(card), "-p", "1.5", "--at", at(0.1))
    assert second.returncode == 0, second.stderr
    card.unlink()
    answer = shed.ask("tonight", "--at", at(5.0))
    assert answer.returncode == 12
    assert "mine.toml" in answer.stdout
    assert "k1  hull, keel" in answer.stdout


def test_the_hour_wanted_is_told_with_the_batch_and_judged(shed: Layday) -> None:
    """Wanted tack-free an hour on, where the card prints 2.5: off track; three hours later: on it."""
    done = shed.ask(*START, "--at", at(0.0), "--by", at(1.0), "--stage", "tack")
    assert done.returncode == 0, done.stderr
    assert "tack-free wanted by" in " ".join(done.stdout.split())
    late = shed.ask("tonight", "--at", at(0.9), "--plain")
    assert late.returncode == 10
    assert "k1, off track: tack-free by 21:40" in late.stdout
    assert shed.ask("cure", "fix", "--by", at(4.0)).returncode == 0
    in_time = shed.ask_json("tonight", "--at", at(0.9))["cures"][0]
    assert in_time["verdict"] == "go"
    assert in_time["ahead"]["basis"] == "last hours"
    assert in_time["ahead"]["ready"]["by"] == "2026-04-03T00:40:00Z"


def test_with_forecast_the_hours_ahead_are_sample_paths(shed: Layday) -> None:
    """A day of steady 20 °C: sandable by seven has odds, and a coldest hour is expected."""
    shed.ask(*START, "--at", at(15.0))
    answer = shed.ask_json("tonight", "--at", at(18.0), "--forecast")["cures"][0]
    assert answer["ahead"]["basis"] == "forecast"
    assert 0.0 <= answer["ahead"]["ready"]["odds"] <= 1.0
    # after one day the spread is that of any poly tent, and the coldest hour is the coldest of a whole day
    assert 12.0 <= answer["ahead"]["coldest_hour"]["likely_c"] <= 20.5
    assert any("readings" in note for note in answer["ahead"]["notes"])
