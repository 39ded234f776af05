"""`layday resin` through its own command line, with cards in a folder of its own."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from collector.config import Config, ShedConfig
from collector.errors import ConfigError, InputError
from dashboards.commands.resin import app
from dashboards.session import Session
from tests.dashboards.test_resin_dialogue import POLYESTER
from tests.forecast.test_card_files import GOOD


def resin(folder: Path, *words: str, answers: str = "", json: bool = False, units: str = "metric") -> Result:
    """Run `layday resin` for a configuration file in `folder`."""
    config = Config(shed=ShedConfig.model_validate({"units": units}))
    session = Session(config, folder / "layday.toml", json=json)
    return CliRunner().invoke(app, words, obj=session, input=answers)


def own_card(folder: Path, text: str = GOOD) -> None:
    """Put a card called yard into the user's folder."""
    (folder / "cards").mkdir(exist_ok=True)
    (folder / "cards" / "yard.toml").write_text(text, encoding="utf-8")


def test_list_names_own_and_shipped_cards(tmp_path: Path) -> None:
    own_card(tmp_path)
    lines = resin(tmp_path, "list").output.splitlines()
    assert len(lines) == 5
    assert lines[-1] == "yard                 Yard vinyl ester (vinyl ester)"
    listed = json.loads(resin(tmp_path, "list", json=True).output)
    assert [card["generic"] for card in listed["cards"]] == [True] * 4 + [False]


def test_show_prints_every_number_in_the_readers_units(tmp_path: Path) -> None:
    own_card(tmp_path)
    shown = resin(tmp_path, "show", "yard", units="us").output
    for words in (
        "Yard vinyl ester (yard): vinyl ester",
        "MEKP, 1 to 2.5 % by weight, 1.18 g/mL",
        "59.0 °F to 86.0 °F, up to 80 %, part 5.4 °F above the dew point",
        "77.0 °F   1.25 %  25 to 32 min",
        "Tack-free, from mixing",
        "2 to 72 h",
        "a textbook: heat_of_reaction_j_g",
    ):
        assert words in shown
    assert json.loads(resin(tmp_path, "show", "yard", json=True).output)["gel"][0]["low_min"] == 50.0
    generic = resin(tmp_path, "show", "generic-epoxy-fast").output
    assert "of no maker" in " ".join(generic.split())


def test_check_ends_with_what_it_found(tmp_path: Path) -> None:
    assert resin(tmp_path, "check", "generic-polyester").exit_code == 0
    own_card(tmp_path)
    missing = resin(tmp_path, "check", "yard")
    assert missing.exit_code == 11
    assert "stage.sandable: missing: without hours" in missing.output
    own_card(tmp_path, GOOD.replace("times_h = [4, 1.6]", "times_h = [0.4, 0.16]"))
    contradictory = resin(tmp_path, "check", "yard", json=True)
    assert contradictory.exit_code == 10
    assert {"contradictory"} <= {r["kind"] for r in json.loads(contradictory.output)["remarks"]}


def test_check_names_every_mistake_of_a_bad_card(tmp_path: Path) -> None:
    own_card(tmp_path, GOOD.replace("time_min = 50", "time_min = -50").replace("density_g_ml = 1.05\n", ""))
    result = resin(tmp_path, "check", str(tmp_path / "cards" / "yard.toml"))
    assert isinstance(result.exception, ConfigError)
    assert len(result.exception.mistakes) == 2


def test_new_writes_a_card_that_can_be_used_and_never_over_another(tmp_path: Path) -> None:
    answers = "\n".join(answer for given in POLYESTER.values() for answer in given) + "\n"
    result = resin(tmp_path, "new", answers=answers)
    assert result.exit_code == 0, result.output
    path = tmp_path / "cards" / "yard-poly-12.toml"
    assert f"{path} written." in result.output
    assert "stage.handling: missing" in result.output
    assert "Yard poly 12" in resin(tmp_path, "show", "yard-poly-12").output
    before = path.read_bytes()
    again = resin(tmp_path, "new", answers=answers)
    assert isinstance(again.exception, InputError)
    assert "is there already" in str(again.exception)
    assert path.read_bytes() == before


def test_new_given_up_half_way_writes_nothing(tmp_path: Path) -> None:
    assert resin(tmp_path, "new", answers="Yard poly 12\n").exit_code != 0
    assert not (tmp_path / "cards").exists()


@pytest.mark.parametrize("key", ["nothing", "layday.toml"])
def test_a_card_that_is_not_there_is_named(tmp_path: Path, key: str) -> None:
    result = resin(tmp_path, "show", key)
    assert isinstance(result.exception, ConfigError | InputError)
    assert key in str(result.exception)
