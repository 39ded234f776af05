"""Gel time from cards and pots: what cup tests and a season's gels teach about a lot."""

import numpy as np
import pytest

from forecast.card import Application, Card, Family, GelCell, Hardener, RecoatTable, Stage, StageTable
from forecast.resin import PotGel, gel_surface, learn_lot, recoat_surfaces, stage_surface
from tests.vectors import rows

POT_SPREAD_SHARE = 0.08


def sheet_card() -> Card:
    """Return a card around the published 115 NT table."""
    printed = [row for row in rows("gel_times.csv") if row["resin"] == "115 NT"]
    return Card(
        key="115-nt",
        name="115 NT",
        family=Family.POLYESTER,
        generic=False,
        hardener=Hardener("MEKP", 1.18),
        catalyst_min_pct=1.0,
        catalyst_max_pct=2.0,
        application=Application(15.0, 30.0, 80.0, 3.0),
        gel=tuple(
            GelCell(*(float(row[key]) for key in ("temp_c", "catalyst_pct", "low_min", "high_min")))
            for row in printed
        ),
        stages=(),
        recoat=None,
        base_c=5.0,
        reference_c=20.0,
        heat_of_reaction_j_g=330.0,
        density_g_ml=1.1,
    )


def pots(count: int, lot: str, ratio: float, seed: int = 1) -> list[PotGel]:
    """Make pots of a lot whose gel times are `ratio` of the sheet's, each off by its own 8 %."""
    rng, surface = np.random.default_rng(seed), gel_surface(sheet_card())
    made = []
    for _ in range(count):
        temp_c, pct = rng.uniform(15.0, 20.0), rng.uniform(1.0, 2.0)
        time_min = surface.likely_min(temp_c, pct) * ratio * np.exp(rng.normal(0.0, POT_SPREAD_SHARE))
        made.append(PotGel(temp_c, pct, float(time_min), lot))
    return made


def test_nine_pots_tell_that_a_lot_is_quick() -> None:
    """A lot at 0.85 of its sheet: 9 pots that scatter by 8 % leave 0.85 in the band, 1 outside."""
    learned = learn_lot(sheet_card(), pots(9, "A7", 0.85), "A7")
    assert learned.pots == 9
    assert learned.low_ratio < 0.85 < learned.high_ratio < 0.97
    assert (
        learned.words == f"lot A7 gels {round(100 * (1 - learned.ratio))} % quicker than its sheet (9 pots)"
    )


def test_the_band_of_what_was_learned_holds_as_often_as_it_says() -> None:
    """80 % band over 60 made-up lots; three standard errors of 60 draws are 15 %."""
    rng = np.random.default_rng(3)
    held = 0
    for seed in range(60):
        true = float(np.exp(rng.normal(0.0, 0.15)))
        learned = learn_lot(sheet_card(), pots(4, "A7", true, seed), "A7")
        held += learned.low_ratio <= true <= learned.high_ratio
    assert 0.65 <= held / 60 <= 0.95


def test_one_pot_is_believed_less_than_nine() -> None:
    card = sheet_card()
    exact = [PotGel(15.0, 1.0, 74.0 * 0.7, "A7")]
    one, nine = learn_lot(card, exact, "A7"), learn_lot(card, exact * 9, "A7")
    assert 0.7 < nine.ratio < one.ratio < 1.0
    assert nine.high_ratio / nine.low_ratio < one.high_ratio / one.low_ratio
    assert "(1 pot)" in one.words


def test_a_lots_pots_move_its_gel_times_and_hardly_another_lots() -> None:
    card = sheet_card()
    plain = gel_surface(card).likely_min(17.0, 1.5)
    seen = pots(12, "A7", 0.8)
    own, other = (gel_surface(card, seen, lot).likely_min(17.0, 1.5) for lot in ("A7", "B2"))
    assert own / plain == pytest.approx(0.8, abs=0.06)
    assert own < other < plain


def test_cup_tests_beyond_the_sheet_narrow_it_there() -> None:
    card = sheet_card()
    cups = [PotGel(28.0, 1.5, 20.0, "A7"), PotGel(28.0, 1.5, 21.0, "A7"), PotGel(27.8, 1.5, 20.5, "A7")]
    before, after = gel_surface(card).minutes(28.0, 1.5), gel_surface(card, cups, "A7").minutes(28.0, 1.5)
    assert before.outside
    assert after.outside, "a cup test is no data sheet"
    assert after.high_min / after.low_min < before.high_min / before.low_min
    assert after.low_min < 20.5 < after.high_min


def test_pots_of_no_known_lot_count_for_the_user_only() -> None:
    card = sheet_card()
    learned = learn_lot(card, pots(9, "", 0.85), "A7")
    assert learned.pots == 0
    assert 0.85 < learned.ratio < 1.0
    assert learn_lot(card, pots(9, "", 0.85), "").words.startswith("this resin gels")


def test_without_pots_nothing_is_learned() -> None:
    learned = learn_lot(sheet_card(), [], "A7")
    assert (learned.ratio, learned.pots) == (1.0, 0)
    assert learned.low_ratio < 0.9
    assert learned.words == "lot A7 gels as its sheet says (0 pots)"


def test_a_season_of_pots_costs_no_more_than_a_week() -> None:
    """400 pots become a few dozen observations: the same answer whatever their order."""
    card, season = sheet_card(), pots(400, "A7", 0.9)
    there = gel_surface(card, season, "A7").likely_min(17.0, 1.5)
    assert gel_surface(card, season[::-1], "A7").likely_min(17.0, 1.5) == pytest.approx(there, rel=1e-3)


@pytest.mark.parametrize(
    ("pot", "says"),
    [
        (PotGel(17.0, 1.5, -3.0, "A7"), "pot of lot 'A7' at 17 °C: a time is not above zero"),
        (PotGel(500.0, 1.5, 30.0, "A7"), "a temperature is outside"),
        (PotGel(17.0, 0.0, 30.0, "A7"), "a percentage is outside"),
    ],
)
def test_a_pot_that_cannot_be_is_refused(pot: PotGel, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        gel_surface(sheet_card(), [pot], "A7")


def test_stage_and_recoat_tables_come_back_in_minutes() -> None:
    stage = stage_surface(StageTable(Stage.SANDABLE, (10.0, 20.0, 30.0), (30.0, 12.5, 6.0)))
    assert stage.likely_min(20.0) == pytest.approx(12.5 * 60, rel=1e-6)
    opens, closes = recoat_surfaces(RecoatTable((10.0, 20.0), (3.0, 1.5), (48.0, 24.0)))
    assert opens.likely_min(10.0) == pytest.approx(180.0, rel=1e-6)
    assert closes.likely_min(20.0) == pytest.approx(1440.0, rel=1e-6)
