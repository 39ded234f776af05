"""`layday mix`, from words to words and JSON."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from collector.domain import Reading
from collector.errors import InputError
from collector.store.opening import open_store
from dashboards.cli import build_app

ESTER = ["mix", "--card", "generic-vinyl-ester"]


@pytest.fixture(autouse=True)
def _own_shed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A shed of the test's own, so that no journal of this computer counts."""
    config = tmp_path / "layday.toml"
    config.write_text(f'[store]\npath = "{(tmp_path / "shed.sqlite").as_posix()}"\n', encoding="utf-8")
    monkeypatch.setenv("LAYDAY_CONFIG", str(config))


def run(*words: str) -> str:
    done = CliRunner().invoke(build_app(), words)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    assert done.exit_code == 0, done.output
    return done.stdout


def mixed(*words: str) -> dict[str, object]:
    found = json.loads(run("--json", *words))
    assert isinstance(found, dict)
    return found


def test_a_percentage_gives_both_amounts_and_how_long_they_last() -> None:
    found = mixed(*ESTER, "--temp", "20C", "--percent", "1%", "--mass", "1kg")
    assert found["schema"] == "layday/mix/1"
    # 10 g of the card's peroxide of 1.017 g/mL (read from a sheet) is 9.83 mL.
    assert found["catalyst"] == {"mass_g": pytest.approx(10.0), "volume_ml": pytest.approx(9.83, abs=0.005)}
    gel = found["gel_min"]
    assert isinstance(gel, dict)
    assert gel["low"] < gel["likely"] < gel["high"]
    assert isinstance(found["pot_work_min"], float)
    assert isinstance(found["tray_work_min"], float)
    assert found["pot_work_min"] < found["tray_work_min"]
    assert found["outside_sheet"] is True  # its cells begin at 1.25 %
    assert isinstance(found["warnings"], list)


def test_a_wanted_work_time_gives_the_percentage() -> None:
    found = mixed(*ESTER, "--temp", "68F", "--work-time", "40min")
    gel = found["gel_min"]
    assert isinstance(gel, dict)
    assert gel["likely"] == pytest.approx(40.0)
    assert found["limit"] is None
    late = mixed(*ESTER, "--temp", "30C", "--work-time", "2h")
    assert late["limit"] == "low"
    assert late["percent"] == 1.0


def test_resin_may_be_poured_instead_of_weighed() -> None:
    """A US quart is 57.75 cubic inches by definition, 946.35 mL; the card's resin has 1.05 g/mL."""
    poured = mixed(*ESTER, "--temp", "20C", "--percent", "1.75", "--mass", "1 us qt")
    assert poured["resin_g"] == pytest.approx(57.75 * 2.54**3 * 1.05)
    assert poured == mixed(*ESTER, "--temp", "20C", "--percent", "1.75", "--mass", f"{poured['resin_g']}g")


def test_an_area_and_plies_give_resin_glass_and_pots() -> None:
    words = (*ESTER, "--temp", "20C", "--percent", "1.75", "--area", "2m2")
    found = mixed(*words, "--ply", "mat 1.5oz/ft2 x2", "--ply", "3x cloth 12oz/yd2")
    lay, pots = found["layup"], found["batches"]
    assert isinstance(lay, dict)
    assert isinstance(pots, dict)
    # Two mats of 458 g/m² and three cloths of 407 g/m² on 2 m², weights printed to 1 g/m².
    assert lay["glass_g"] == pytest.approx(2 * (2 * 458 + 3 * 407), rel=2e-3)
    assert pots["pots"] * pots["resin_g"] == pytest.approx(lay["resin_g"])
    assert found["resin_g"] == pots["resin_g"]


def test_an_epoxy_needs_no_percentage() -> None:
    assert mixed("mix", "--card", "generic-epoxy-slow", "--temp", "20C")["percent"] == 30.0


def test_in_words_it_says_which_amount_is_weight_and_which_is_volume() -> None:
    text = run(*ESTER, "--temp", "20C", "--percent", "1.75", "--mass", "800g")
    assert "14.0 g of MEKP" in text
    assert "by weight, or 13.8 mL by volume" in text
    assert "One pot of 800 g: lay it within 8 min." in text
    assert "peroxide and promoter never meet" in text


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--percent", "1"], "--temp or --bay: give one of them"),
        (["--temp", "20C"], "--percent or --work-time: the card leaves 1 to 2.5 % open"),
        (["--temp", "20C", "--percent", "1", "--work-time", "40min"], "give one of them, the other follows"),
        (["--temp", "20C", "--percent", "0.01"], "it would never cure"),
        (["--temp", "20C", "--work-time", "0min"], "must be longer than nothing"),
        (["--temp", "90C", "--percent", "1"], "is outside"),
        (["--temp", "64", "--percent", "1"], "has no unit"),
        (["--temp", "20C", "--percent", "1", "--mass", "12oz"], "which ounce?"),
        (["--temp", "20C", "--percent", "1", "--mass", "1 qt"], "write one of ml, l, fl oz, us qt, us gal"),
        (["--temp", "20C", "--percent", "1", "--mass", "9 us gal"], "is no pot of resin"),
        (["--temp", "20C", "--percent", "1", "--mass", "90kg"], "is no pot of resin"),
        (["--temp", "20C", "--percent", "1", "--area", "2m2"], "--area and --ply go together"),
        (["--temp", "20C", "--percent", "1", "--area", "0m2", "--ply", "mat 450gsm"], "more than nothing"),
        (["--temp", "20C", "--percent", "1", "--area", "2m2", "--ply", "felt 450gsm"], "write the glass"),
        (["--temp", "20C", "--percent", "1", "--area", "2m2", "--ply", "mat 1.5oz"], "ounces per what?"),
        (["--temp", "20C", "--percent", "1", "--area", "2m2", "--ply", "mat 450gsm x0"], "--ply: count 0"),
    ],
)
def test_what_cannot_be_answered_is_said(words: list[str], says: str) -> None:
    with pytest.raises(InputError) as raised:
        run(*ESTER, *words)
    assert says in str(raised.value)


def test_the_temperature_of_a_bays_part_as_measured(tmp_path: Path) -> None:
    store_path, config = tmp_path / "bays.sqlite", tmp_path / "bays.toml"
    config.write_text(
        f'[store]\npath = "{store_path.as_posix()}"\n'
        '[[sensor]]\nplace = "keel"\nquantity = "part_c"\ntopic = "keel/part"\n'
        '[[sensor]]\nplace = "sheer"\nquantity = "part_c"\ntopic = "sheer/part"\n',
        encoding="utf-8",
    )
    heard_at = datetime.now(UTC) - timedelta(minutes=1)  # noqa: TID251  the command asks the machine's clock
    store = open_store(store_path)
    store.add([Reading("keel.part_c", heard_at, 23.5, heard_at)])
    store.close()
    words = ("--config", str(config), *ESTER, "--percent", "1.5", "--bay")
    assert mixed(*words, "keel")["temp_c"] == 23.5
    with pytest.raises(InputError, match="no fresh reading of its part"):
        mixed(*words, "sheer")
    with pytest.raises(InputError, match="no bay is called so; there are keel, sheer"):
        mixed(*words, "rudder")


def test_cups_of_the_lot_shorten_or_lengthen_what_it_says() -> None:
    """Five cups that gel a third quicker than the card: the lot's mix is said to be quicker too."""
    words = (*ESTER, "--temp", "20C", "--percent", "1.5")
    before = mixed(*words, "--lot", "A7")["gel_min"]
    assert isinstance(before, dict)
    cup = f"{before['likely'] * 2 / 3:.1f}min"
    for _ in range(5):
        run("cup", cup, "--temp", "20C", "--card", "generic-vinyl-ester", "--percent", "1.5", "--lot", "A7")
    after = mixed(*words, "--lot", "A7")["gel_min"]
    assert isinstance(after, dict)
    assert 0.6 * before["likely"] < after["likely"] < 0.85 * before["likely"]
