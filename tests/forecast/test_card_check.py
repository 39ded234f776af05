"""What a well-formed card lacks or says that is hard to believe."""

from dataclasses import replace

import pytest

from forecast.card import Card, GelCell, RecoatTable, Stage, StageTable
from forecast.card_check import Kind, check_card
from forecast.card_files import find_card
from tests.forecast.test_resin import sheet_card
from tests.vectors import rows


def card(**changes: object) -> Card:
    """Return the generic polyester with some fields changed."""
    return replace(find_card("generic-polyester"), **changes)  # type: ignore[arg-type]


def cells(*numbers: tuple[float, float, float]) -> tuple[GelCell, ...]:
    """Make cells of (temperature, percentage, minutes)."""
    return tuple(GelCell(temp_c, pct, time_min, time_min, 100.0) for temp_c, pct, time_min in numbers)


@pytest.mark.parametrize(
    ("changes", "key", "kind", "words"),
    [
        ({"gel": cells((15, 1.5, 90), (25, 1.5, 15))}, "gel.cells", Kind.IMPLAUSIBLE, "imply 128 kJ/mol"),
        ({"gel": cells((15, 1.5, 30), (25, 1.5, 28))}, "gel.cells", Kind.IMPLAUSIBLE, "imply 5 kJ/mol"),
        ({"gel": cells((20, 1, 60), (20, 2, 12))}, "gel.cells", Kind.IMPLAUSIBLE, "the power 2.32"),
        ({"gel": cells((20, 1, 60), (20, 2, 57))}, "gel.cells", Kind.IMPLAUSIBLE, "the power 0.07"),
        ({"gel": cells((20, 1.5, 25))}, "gel.cells", Kind.MISSING, "one cell only"),
        ({"stages": ()}, "stage.sandable", Kind.MISSING, "hours to sandable"),
        ({"recoat": None}, "recoat", Kind.MISSING, "next ply"),
        ({"shelf_life_months": None}, "shelf_life_months", Kind.MISSING, "too old"),
        ({"catalyst_max_pct": 20.0}, "hardener.max_pct", Kind.IMPLAUSIBLE, "a lot of peroxide"),
        (
            {"recoat": RecoatTable((15, 25), (0.1, 0.05), (0.5, 0.2))},
            "recoat.to_h",
            Kind.CONTRADICTORY,
            "before the resin gels",
        ),
        (
            {
                "stages": (
                    StageTable(Stage.TACK_FREE, (15, 25), (12, 6)),
                    StageTable(Stage.SANDABLE, (15, 25), (10, 7)),
                )
            },
            "stage.sandable.times_h",
            Kind.CONTRADICTORY,
            r"at 15 °C it is sandable (10.0 h) before it is tack-free (12.0 h)",
        ),
        (
            {"stages": (StageTable(Stage.TACK_FREE, (15, 25), (0.2, 0.1)),)},
            "stage.tack-free.times_h",
            Kind.CONTRADICTORY,
            "before it gels",
        ),
        (
            {"stages": (StageTable(Stage.SANDABLE, (60, 80), (6, 3)),)},
            "stage.sandable.temps_c",
            Kind.IMPLAUSIBLE,
            "were they °F?",
        ),
        (
            {"stages": (StageTable(Stage.SANDABLE, (15, 25), (30, 2)),)},
            "stage.sandable.times_h",
            Kind.IMPLAUSIBLE,
            "imply 193 kJ/mol",
        ),
    ],
)
def test_what_is_odd_is_named_by_its_key(
    changes: dict[str, object], key: str, kind: Kind, words: str
) -> None:
    found = check_card(card(**changes))
    assert any(r.key == key and r.kind is kind and words in r.words for r in found), list(map(str, found))


def test_an_application_range_without_any_times_is_contradictory() -> None:
    good = find_card("generic-polyester")
    cold = replace(good, application=replace(good.application, temp_min_c=0.0, temp_max_c=10.0))
    assert any(r.kind is Kind.CONTRADICTORY and "outside all tables" in r.words for r in check_card(cold))
    wide = replace(good, application=replace(good.application, temp_min_c=5.0))
    assert any(r.kind is Kind.MISSING and "extrapolated" in r.words for r in check_card(wide))


def test_an_epoxys_ratio_is_fixed() -> None:
    good = find_card("generic-epoxy-slow")
    found = check_card(replace(good, catalyst_max_pct=35.0))
    assert any("ratio is fixed" in r.words for r in found)
    found = check_card(replace(good, catalyst_min_pct=2.0, catalyst_max_pct=2.0))
    assert any("little hardener" in r.words for r in found)


def test_published_gel_tables_are_plausible() -> None:
    """The sheets imply 31 to 62 kJ/mol and powers of 0.55 to 1.40: nothing to remark on their chemistry."""
    assert not [r for r in check_card(sheet_card()) if r.key == "gel.cells" and r.kind is Kind.IMPLAUSIBLE]
    for resin in ("R0503", "2-446PA"):
        gel = tuple(
            GelCell(*(float(row[key]) for key in ("temp_c", "catalyst_pct", "low_min", "high_min")))
            for row in rows("gel_times.csv")
            if row["resin"] == resin
        )
        odd = check_card(replace(sheet_card(), gel=gel))
        assert not [r for r in odd if r.key == "gel.cells" and r.kind is Kind.IMPLAUSIBLE]
