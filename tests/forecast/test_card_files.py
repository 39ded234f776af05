"""Resin cards from files: what a good one gives, and every mistake of a bad one named at once."""

import re
from pathlib import Path

import pytest

from collector.errors import ConfigError, InputError
from forecast.card import Family, GelCell, Stage
from forecast.card_files import card_keys, find_card, load_card

GOOD = """
name = "Yard vinyl ester"
family = "vinyl ester"
source = "sheet of 2025"
density_g_ml = 1.05
heat_of_reaction_j_g = 350
base_c = 5
reference_c = 25

[hardener]
kind = "MEKP"
density_g_ml = 1.18
min_pct = 1.0
max_pct = 2.5

[application]
temp_min_c = 15
temp_max_c = 30
humidity_max_pct = 80
margin_min_k = 3

[gel]
cup_g = 100
cells = [
  { temp_c = 18, catalyst_pct = 1.25, time_min = 50 },
  { temp_c = 25, catalyst_pct = 1.25, low_min = 25, high_min = 32 },
]

[stage.tack-free]
temps_c = [15, 25]
times_h = [4, 1.6]

[recoat]
temps_c = [15, 25]
from_h = [2, 1]
to_h = [72, 30]

[sources]
heat_of_reaction_j_g = "a textbook"
"stage.tack-free" = "letter from the maker"
"""


def written(folder: Path, text: str, name: str = "yard.toml") -> Path:
    """Write a card."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def mistakes(folder: Path, *changes: tuple[str, str]) -> list[str]:
    """Return what is wrong with the good card after some changes, without the file's name."""
    text = GOOD
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = written(folder, text)
    with pytest.raises(ConfigError) as raised:
        load_card(path)
    assert all(mistake.startswith(f"{path}: ") for mistake in raised.value.mistakes)
    return [mistake.removeprefix(f"{path}: ") for mistake in raised.value.mistakes]


def test_a_good_card_is_read(tmp_path: Path) -> None:
    card = load_card(written(tmp_path, GOOD))
    assert (card.key, card.name, card.family, card.generic) == (
        "yard",
        "Yard vinyl ester",
        Family.VINYL_ESTER,
        False,
    )
    assert card.gel == (GelCell(18.0, 1.25, 50.0, 50.0, 100.0), GelCell(25.0, 1.25, 25.0, 32.0, 100.0))
    assert [table.stage for table in card.stages] == [Stage.TACK_FREE]
    assert card.recoat is not None
    assert card.recoat.to_h == (72.0, 30.0)
    assert card.hardener.by == "weight"
    assert card.shelf_life_months is None


def test_every_number_has_its_source(tmp_path: Path) -> None:
    sources = load_card(written(tmp_path, GOOD)).sources
    assert sources["density_g_ml"] == "sheet of 2025"
    assert sources["gel.cells"] == "sheet of 2025"
    assert sources["heat_of_reaction_j_g"] == "a textbook"
    assert sources["stage.tack-free.times_h"] == "letter from the maker"


@pytest.mark.parametrize(
    ("old", "new", "mistake"),
    [
        ("reference_c = 25", "reference_c = 14", "reference_c: 14 °C is colder than the sheet has times for"),
        ("density_g_ml = 1.05\n", "", "density_g_ml: is missing"),
        ("density_g_ml = 1.05", "density_g_ml = 1050", r"density_g_ml: 1050 is outside 0.7 to 2.5 \(kg/m³"),
        ("density_g_ml = 1.18\n", "", "hardener.density_g_ml: is missing"),
        ("time_min = 50", "time_min = -50", r"gel.cells\[0\].time_min: -50 is outside 0.1 to 6000"),
        ("time_min = 50", "time_min = 20", r"gel.cells: 25 °C and 1.25 % takes longer than 18 °C and 1.25 %"),
        ("low_min = 25", "low_min = 35", r"gel.cells\[1\].high_min: 32 is below low_min, 35"),
        (
            "18, catalyst_pct = 1.25",
            "18, catalyst_pct = 4",
            r"gel.cells\[0\].catalyst_pct: 4 % is beyond hardener.min_pct to max_pct, 1 to 2.5 %",
        ),
        ("temp_c = 18", "temp_c = 64", r"gel.cells\[0\].temp_c: 64 is outside -20 to 60 \(°C; 64 °F are"),
        ("temps_c = [15, 25]", "temps_c = [25, 15]", "stage.tack-free.temps_c: 15 does not rise after 25"),
        ("times_h = [4, 1.6]", "times_h = [1.6, 4]", "stage.tack-free.times_h: 4 h at 25 °C is longer than"),
        ("times_h = [4, 1.6]", "times_h = [4]", "stage.tack-free.times_h: has 1 times for 2 temperatures"),
        ("times_h = [4, 1.6]", "times_h = 4", "stage.tack-free.times_h: must be a list of numbers"),
        ("to_h = [72, 30]", "to_h = [72, 0.5]", "recoat.to_h: at 25 °C the window closes .0.5 h. before"),
        ("[stage.tack-free]", "[stage.gelled]", "stage.gelled: no such key; the stages are tack-free"),
        ("max_pct = 2.5", "max_pct = 0.5", "hardener.max_pct: 0.5 % is below min_pct, 1 %"),
        ("temp_max_c = 30", "temp_max_c = 10", "application.temp_max_c: 10 °C is not above temp_min_c"),
        ("humidity_max_pct = 80", "humidity_max_pct = 180", "application.humidity_max_pct: 180 is outside"),
        ('family = "vinyl ester"', 'family = "vinylester"', "family: must be one of vinyl ester, polyester"),
        ("base_c = 5", 'base_c = "5"', "base_c: must be a number, not '5'"),
        ("base_c = 5", "base_c = nan", "base_c: nan is outside"),
        ("base_c = 5", "base_c = true", "base_c: must be a number, not True"),
        ("base_c = 5", "basec = 5", "basec: no such key"),
        ("[hardener]\n", "[hardner]\n", "hardener: is missing"),
        ('name = "Yard vinyl ester"', "name = 3", "name: must be a text in quotes, not 3"),
        ('name = "Yard', 'generic = "yes"\nname = "Yard', "generic: must be true or false"),
        ("family =", "gel = 3\nfamily =", "is not TOML"),
        ('source = "sheet of 2025"\n', "", "density_g_ml: has no source"),
        ('"stage.tack-free" =', '"stage.tacky" =', "sources.stage.tacky: is the source of nothing"),
    ],
)
def test_a_mistake_is_named_by_file_and_key(tmp_path: Path, old: str, new: str, mistake: str) -> None:
    found = mistakes(tmp_path, (old, new))
    assert any(re.search(mistake, line) for line in found), found


def test_every_mistake_is_named_at_once(tmp_path: Path) -> None:
    found = mistakes(
        tmp_path,
        ("density_g_ml = 1.05\n", ""),
        ("time_min = 50", "time_min = -50"),
        ("25, catalyst_pct = 1.25", "25, catalyst_pct = 9"),
        ("times_h = [4, 1.6]", "times_h = [1.6, 4]"),
        ("from_h = [2, 1]", "from_h = [2, -1]"),
    )
    keys = [line.split(": ")[0] for line in found]
    assert keys == [
        "gel.cells[0].time_min",
        "gel.cells[1].catalyst_pct",
        "stage.tack-free.times_h",
        "recoat.from_h[1]",
        "density_g_ml",
    ]


def test_the_users_own_card_goes_before_one_that_comes_with_layday(tmp_path: Path) -> None:
    written(tmp_path, GOOD, "generic-polyester.toml")
    written(tmp_path, GOOD)
    assert find_card("generic-polyester", [tmp_path]).name == "Yard vinyl ester"
    assert find_card(str(tmp_path / "yard.toml")).key == "yard"
    assert "yard" in card_keys([tmp_path])
    assert card_keys([tmp_path]).count("generic-polyester") == 1


@pytest.mark.parametrize("key", ["no-such", "../cards/generic-polyester", ""])
def test_an_unknown_key_names_those_there_are(tmp_path: Path, key: str) -> None:
    with pytest.raises(InputError, match="there are generic-epoxy-fast, generic-epoxy-slow"):
        find_card(key, [tmp_path])


def test_a_file_that_is_not_there_or_not_text_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"gone.toml: \(file\): cannot be read: No such file"):
        find_card(str(tmp_path / "gone.toml"))
    (tmp_path / "latin.toml").write_bytes(b'name = "\xe9poxy"')
    with pytest.raises(ConfigError, match=r"latin.toml: \(file\): is not UTF-8"):
        find_card(str(tmp_path / "latin.toml"))


def test_what_is_no_list_and_no_table_is_said_and_the_rest_is_still_read(tmp_path: Path) -> None:
    """A slip in one table hides no slip in another."""
    stage = "temps_c = [15, 25]\ntimes_h = [4, 1.6]"
    assert mistakes(tmp_path, (stage, 'temps_c = "warm"\ntimes_h = [4, 1.6]'))[0] == (
        "stage.tack-free.temps_c: must be a list of numbers, as in [1, 2.5], not 'warm'"
    )
    assert "stage.tack-free.temps_c: is missing" in mistakes(tmp_path, (stage, "times_h = [4, 1.6]"))
    cells = GOOD[GOOD.index("cells = [") : GOOD.index("[stage.tack-free]")]
    assert "gel.cells: must be a list of rows, as in [{ temp_c = 20, … }]" in mistakes(
        tmp_path, (cells, "cells = 50\n")
    )
    assert "gel.cells: is missing" in mistakes(tmp_path, (cells, ""))
    recoat = GOOD[GOOD.index("[recoat]") : GOOD.index("[sources]")]
    found = mistakes(tmp_path, (recoat, ""), ("base_c = 5", "base_c = 5\nrecoat = 3"))
    assert "recoat: must be a table, [recoat], not 3" in found


def test_a_table_of_which_no_cell_is_sound_is_not_compared(tmp_path: Path) -> None:
    found = mistakes(tmp_path, ("time_min = 50", "time_min = -50"), ("low_min = 25", "low_min = 35"))
    assert len(found) == 2
