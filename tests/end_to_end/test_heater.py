"""`layday heater` as a person runs it, on a simulated shed's readings in a real store."""

import json
from pathlib import Path

import pytest

from collector.clock import from_us
from collector.domain import Reading
from collector.store.opening import open_store
from tests.end_to_end.layday import Layday
from tests.forecast.shed_data import series_of, tent_history

HEATER = "[heater]\npower_kw = 9.0\n"


@pytest.fixture(scope="module")
def shed(tmp_path_factory: pytest.TempPathFactory) -> Layday:
    """Three days of the simulated tent, minute by minute."""
    folder: Path = tmp_path_factory.mktemp("heater")
    shed = Layday(folder, HEATER)
    store = open_store(folder / "layday.sqlite")
    for name, (times_us, values) in series_of(tent_history(52, 3.0)).items():
        pairs = zip(times_us.tolist(), values.tolist(), strict=True)
        store.add([Reading(name, from_us(at), value, from_us(at)) for at, value in pairs])
    store.close()
    return shed


def test_the_answer_is_whole_and_its_exit_code_says_what_to_do(shed: Layday) -> None:
    words = ("heater", "--at", "2026-03-22T12:00Z", "--card", "generic-polyester", "--percent", "1%")
    answer = shed.ask(*words, "--json")
    found = json.loads(answer.stdout)
    assert found["schema"] == "layday/heater/1"
    assert found["bay"] == "keel"
    assert answer.returncode == {"go": 0, "tight": 11}[found["verdict"]]
    assert found["now"]["source"] == "heater input"
    assert 13.0 < found["overshoot"]["peak_c"] < 24.0
    assert found["work"]["plan_min"] == pytest.approx(41.0, abs=4.0)  # the card's cells about 17.5 °C
    assert found["fuel"]["source"] == "scale"
    assert any("carbon monoxide" in caution for caution in found["cautions"])
    assert shed.ask(*words, "--plain").stdout.startswith("keel: ")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--bay", "loft"), "keel, sheer"),
        (("--percent", "1%"), "--card"),
        (("--card", "generic-polyester", "--percent", "9%"), "allows"),
        (("--thickness", "900"), "0 to 200 mm"),
        (("--at", "2020-01-01T00:00Z"), "no bay's air was heard"),
    ],
)
def test_mistakes_say_what_to_write(shed: Layday, options: tuple[str, ...], words: str) -> None:
    at = () if "--at" in options else ("--at", "2026-03-22T12:00Z")
    answer = shed.ask("heater", *options, *at)
    assert answer.returncode == 2
    assert words in answer.stderr


def test_a_programme_of_23_hours_is_refused(tmp_path: Path) -> None:
    shed = Layday(tmp_path, f"[heater]\nsetpoint_c = {[15.0] * 23}\n")
    answer = shed.ask("heater")
    assert answer.returncode == 2
    assert "heater.setpoint_c: 23 settings; give 24" in answer.stderr
