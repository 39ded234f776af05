"""`layday salt` as a person runs it: values given, readings from the store, and the lines it prints."""

import json
import math
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.domain import Reading
from collector.store.opening import open_store
from tests.end_to_end.layday import Layday, sensor_lines

NOON = datetime(2026, 4, 3, 12, 0, tzinfo=UTC)
NAME = "keel.humidity_pct"


@pytest.fixture
def shed(tmp_path: Path) -> Layday:
    """A sensor that lay over MgCl2 from 08:00 and over NaCl from 12:00 and reads 1.05 x - 2 (20 °C)."""
    shed = Layday(tmp_path, sensor_lines("tunnel/keel/node", ("air_c", "humidity_pct", "part_c")))
    store = open_store(tmp_path / "layday.sqlite")
    before = 45.0
    readings = []
    for start_h, true in ((-4, 33.07), (0, 75.47)):
        for minute in range(240):
            at = NOON + timedelta(hours=start_h, minutes=minute)
            air = true + (before - true) * math.exp(-minute / 30)
            for name, value in (("air_c", 20.0), ("humidity_pct", 1.05 * air - 2), ("part_c", 0.3)):
                readings.append(Reading(f"keel.{name}", at, round(value, 2), at))
        before = true
    store.add(readings)
    store.close()
    return shed


def test_two_points_from_the_store_give_back_the_sensors_error(shed: Layday) -> None:
    """True = (measured + 2) / 1.05: gain 0.952, offset 1.905. Tolerance: what is left of the creep."""
    answer = shed.ask(
        "salt", NAME, "--point", "mgcl2@2026-04-03T11:59Z", "--point", "nacl@2026-04-03T15:59Z", "--json"
    )
    assert answer.returncode == 0, answer.stderr
    said = json.loads(answer.stdout)
    assert said["schema"] == "layday/salt/1"
    assert said["gain"] == pytest.approx(1 / 1.05, abs=0.003)
    assert said["offset"] == pytest.approx(2 / 1.05, abs=0.2)
    assert said["since"] == "2026-04-03T15:59:00Z"
    assert not said["solvent"]
    (entry,) = tomllib.loads(said["config"])["calibration"]
    assert entry["gain"] == said["gain"]


def test_the_lines_it_prints_go_into_the_configuration_and_every_answer_is_corrected(shed: Layday) -> None:
    text = shed.ask_json("salt", NAME, "--point", "mgcl2=32.72", "--point", "nacl=77.24", "--temp", "20")[
        "config"
    ]
    text = text.replace(text.split("since = ")[1][:20], "2026-04-03T12:00:00Z")
    with shed.config.open("a") as config:
        config.write("\n" + text + "\n")
    (bay,) = shed.ask_json("now", "--at", "2026-04-03T15:59Z")["bays"]
    assert bay["humidity_pct"] == pytest.approx(75.47, abs=0.1)
    (bay,) = shed.ask_json("now", "--at", "2026-04-03T11:59Z")["bays"]
    assert bay["humidity_pct"] == pytest.approx(1.05 * 33.07 - 2, abs=0.1)  # before it: as measured
    shed.ask("export", str(shed.folder / "true.csv"), "--from", "2026-04-03T15:58Z")
    shed.ask("export", str(shed.folder / "raw.csv"), "--from", "2026-04-03T15:58Z", "--raw")
    last = {
        name: (shed.folder / f"{name}.csv").read_text().splitlines()[-1].split(",")[2]
        for name in ("true", "raw")
    }
    assert float(last["true"]) == pytest.approx(75.47, abs=0.1)
    assert float(last["raw"]) == pytest.approx(1.05 * 75.47 - 2, abs=0.1)
    # asked again, it starts from what was measured, not from what was corrected
    again = shed.ask_json(
        "salt", NAME, "--point", "mgcl2@2026-04-03T11:59Z", "--point", "nacl@2026-04-03T15:59Z"
    )
    assert again["gain"] == pytest.approx(1 / 1.05, abs=0.003)


def test_values_alone_need_no_store_and_solvent_is_named(tmp_path: Path) -> None:
    shed = Layday(tmp_path, sensor_lines("tunnel/keel/node", ("humidity_pct",)))
    answer = shed.ask("salt", NAME, "--point", "mgcl2=33.5", "--point", "nacl=70,1", "--temp", "20")
    assert answer.returncode == 0, answer.stderr
    assert "nacl at 20.0 °C: should read 75.47 %, reads 70.10 (-5.37)" in answer.stdout
    said = " ".join(answer.stdout.split())
    assert "! It reads low where it is wet and right where it is dry, as after solvent vapour" in said
    assert "Keep humidity sensors away from solvent" in said


def test_the_ice_point_of_a_probe(shed: Layday) -> None:
    said = shed.ask_json("salt", "keel.part_c", "--point", "ice@2026-04-03T15:59Z")
    assert (said["gain"], said["offset"], said["uncertainty"]) == (1.0, -0.3, 0.1)


def test_one_that_still_creeps_is_not_taken(shed: Layday) -> None:
    answer = shed.ask("salt", NAME, "--point", "nacl@2026-04-03T12:40Z")
    assert answer.returncode == 2
    assert "an hour at that time; give a later one" in answer.stderr


@pytest.mark.parametrize(
    ("words", "mistake"),
    [
        ((NAME, "--point", "sugar=3"), "write one of licl, mgcl2"),
        ((NAME, "--point", "ice=0.3"), "write one of licl, mgcl2"),
        ((NAME, "--point", "nacl=40", "--temp", "20"), "the slurry is not that salt"),
        ((NAME, "--point", "nacl=72", "--temp", "8"), "outside 15 to 30 °C"),
        (("keel.sun_w_m2",), "name a humidity or temperature sensor"),
        (("bow.humidity_pct", "--point", "nacl=72"), "give --temp"),
    ],
)
def test_a_mistake_is_named(shed: Layday, words: tuple[str, ...], mistake: str) -> None:
    answer = shed.ask("salt", *words)
    assert answer.returncode == 2
    assert mistake in answer.stderr
    assert "Traceback" not in answer.stderr


def test_waiting_without_readings_ends_in_words(shed: Layday) -> None:
    answer = shed.ask("salt", NAME, "--point", "nacl", "--temp", "20", "--wait", "0")
    assert answer.returncode == 2
    assert "too few readings to tell whether it is at rest" in answer.stderr


def test_the_guide_needs_one_enter_a_point(shed: Layday) -> None:
    answer = shed.ask("salt", NAME, "--temp", "20", "--wait", "0", typed="\n")
    assert "Stir magnesium chloride with a little water to a wet slurry" in answer.stderr
    assert "Enter when it is in" in answer.stderr
    assert answer.stdout == ""
    assert answer.returncode == 2  # nothing is published here, so it cannot come to rest
