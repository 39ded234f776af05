"""Through a data sheet by scripted answers, right and wrong ones."""

import tomllib
from collections.abc import Iterator, Sequence

import pytest

from dashboards.resin_dialogue import GUESSED, ask_for_card
from forecast.card import Card, Family, GelCell, Stage
from forecast.card_files import parse_card

# The question begins with; its answers, one each time it is put.
POLYESTER: dict[str, Sequence[str]] = {
    "Name of resin": ["Yard poly 12"],
    "Name and date": ['Sheet "12", 2025'],
    "Family": ["p"],
    "Does the sheet": ["F"],
    "Hardener, as in": ["MEKP"],
    "Is its percentage": [""],
    "Least hardener": ["1 %"],
    "Most hardener": ["2.5"],
    "Density of the hardener": ["1.18"],
    "Density of the resin": ["1.1"],
    "Heat of reaction": [""],
    "Shelf life": ["6"],
    "Degree-hours": ["41"],
    "Coldest": ["60"],
    "Warmest": ["30C"],
    "Most humid": ["80%"],
    "Least margin": ["5F"],
    "Mass in the cup": ["100g"],
    "Gel time": ["77F, 1.25 %, 20-25min", "65F, 1.25%, 35 to 45 min", ""],
    "Hours from mixing to tack-free": ["68 2.5", "59 4h", ""],
    "Hours from mixing to sandable": ["68 12", ""],
    "Hours from mixing to handling": [""],
    "Hours from mixing to full": ["68 10d", ""],
    "Equivalent hours": ["77F"],
    "Recoat window": ["68, 90 min, 2d", ""],
}


def through(answers: dict[str, Sequence[str]]) -> tuple[Card, list[str]]:
    """Give the answers; return the card and what was said about wrong ones."""
    left: dict[str, Iterator[str]] = {key: iter(given) for key, given in answers.items()}
    said: list[str] = []

    def ask(question: str) -> str:
        key = next(key for key in left if question.startswith(key))
        return next(left[key])

    text = ask_for_card(ask, said.append)
    unused = {key: rest for key, given in left.items() if (rest := list(given))}
    assert not unused
    return parse_card(tomllib.loads(text), "yard.toml", "yard"), said


def test_a_sheet_in_us_units_becomes_a_card() -> None:
    card, said = through(POLYESTER)
    assert said == []
    assert (card.name, card.family, card.generic) == ("Yard poly 12", Family.POLYESTER, False)
    assert card.gel == (
        GelCell(18.33, 1.25, 35.0, 45.0, 100.0),
        GelCell(25.0, 1.25, 20.0, 25.0, 100.0),
    )
    assert card.application.temp_min_c == pytest.approx(15.56)
    assert card.application.temp_max_c == 30.0
    assert card.application.margin_min_k == pytest.approx(2.78, abs=0.01)
    assert [(t.stage, t.temps_c, t.times_h) for t in card.stages] == [
        (Stage.TACK_FREE, (15.0, 20.0), (4.0, 2.5)),
        (Stage.SANDABLE, (20.0,), (12.0,)),
        (Stage.FULL, (20.0,), (240.0,)),
    ]
    assert card.recoat is not None
    assert (card.recoat.from_h, card.recoat.to_h) == ((1.5,), (48.0,))
    assert (card.base_c, card.reference_c) == (5.0, 25.0)
    assert card.sources["density_g_ml"] == 'Sheet "12", 2025'


def test_where_the_sheet_is_silent_a_typical_number_says_so() -> None:
    card, _ = through(POLYESTER)
    assert card.heat_of_reaction_j_g == 330.0
    assert card.sources["heat_of_reaction_j_g"] == GUESSED


def test_equivalent_hours_are_told_no_colder_than_the_sheet_has_times_for() -> None:
    """A sheet for warm sheds: all its times are at 25 °C, and nothing is allowed under 24 °C."""
    warm = POLYESTER | {
        "Does the sheet": ["C"],
        "Degree-hours": [""],
        "Coldest": ["24"],
        "Gel time": ["25, 1.25, 20", ""],
        "Hours from mixing to tack-free": ["25, 2", ""],
        "Hours from mixing to sandable": [""],
        "Hours from mixing to full": ["25, 7d", ""],
        "Recoat window": [""],
    }
    card, said = through(warm | {"Equivalent hours": ["20", "25"]})
    assert said == ["20 is outside 24 to 60 (°C; the sheet has no times for colder)"]
    assert card.reference_c == 25.0
    card, _ = through(warm | {"Equivalent hours": [""]})
    assert card.reference_c == 24.0


def test_an_epoxy_by_its_mixing_ratio() -> None:
    answers = POLYESTER | {
        "Family": ["epoxy"],
        "Is its percentage": ["v"],
        "Least hardener": ["3:1"],
        "Most hardener": [""],
        "Gel time": ["77, 45", "68, 1h", ""],
    }
    card, said = through(answers)
    assert said == []
    assert card.hardener.by == "volume"
    assert card.catalyst_min_pct == card.catalyst_max_pct == pytest.approx(33.3333)
    assert [cell.low_min for cell in card.gel] == [60.0, 45.0]


@pytest.mark.parametrize(
    ("question", "given", "says"),
    [
        ("Name of resin", ["", "Yard poly 12"], "something must stand here"),
        ("Family", ["wood", "polyester"], "'wood' is none of vinyl ester, polyester, epoxy"),
        ("Does the sheet", ["K", "f"], "'K' is neither C nor F"),
        ("Is its percentage", ["eye", "w"], "neither weight nor volume"),
        ("Least hardener", ["a little", "1"], "a little"),
        ("Least hardener", ["0:1", "1"], "has no resin in it"),
        ("Most hardener", ["0.5", "2.5"], "0.5 % is less than the least, 1 %"),
        ("Density of the hardener", ["1,18", "1180", "1.18"], "1180 is outside 0.7 to 2.5"),
        ("Coldest", ["12oz", "200F", "60"], "93.33 is outside -20 to 60"),
        ("Warmest", ["50F", "86F"], "the warmest must be above the coldest"),
        ("Most humid", ["130", "80"], "130"),
        ("Mass in the cup", ["4 oz", "100g"], "oz"),
        ("Gel time", ["77F 20min", "77F, 1.25%, 20min", ""], "has not 3 parts"),
        ("Gel time", ["77F, 4%, 20min", "77F, 1.25%, 20min", ""], "4 % is beyond 1 to 2.5 %"),
        ("Gel time", ["77F, 2%, 25-20", "77F, 1.25%, 20min", ""], "the range is upside down"),
        ("Gel time", ["77F, 2%, -5min", "77F, 1.25%, 20min", ""], "-5min"),
        ("Gel time", ["", "77F, 1.25%, 20min", ""], "at least 1 row is needed"),
        (
            "Gel time",
            ["77F 2% 60min", "60F 2% 20min", "", "77F 2% 20min", "60F 2% 60min", ""],
            "upside down; give the whole table again",
        ),
        ("Hours from mixing to tack-free", ["68 2.5", "68 3", "", "68 2.5", ""], "stands there twice"),
        ("Recoat window", ["68 5h 2h", "68 2h 24h", ""], "must open before it closes"),
    ],
)
def test_a_wrong_answer_is_explained_and_asked_again(question: str, given: list[str], says: str) -> None:
    _, said = through(POLYESTER | {question: given})
    assert any(says in line for line in said), said
