"""Resin for an area and a lay-up."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.units import parse_areal_g_m2
from forecast.layup import Layup, Ply, Weave, layup


@pytest.mark.parametrize(("weave", "resin_to_glass"), [(Weave.MAT, 2.5), (Weave.ROVING, 1.25)])
def test_mat_and_roving_drink_what_the_handbook_says(weave: Weave, resin_to_glass: float) -> None:
    # Practical Action, "Fibreglass boats": mat 2.5:1, woven roving 1.25:1 by weight (read).
    lay = layup(1.0, [Ply(weave, 600.0)], resin_density_g_ml=1.1, waste_pct=0.0)
    assert lay.laid_g / lay.glass_g == pytest.approx(resin_to_glass)
    assert lay.glass_pct == pytest.approx(100.0 / (1.0 + resin_to_glass))


def test_a_hull_panel_by_hand() -> None:
    """2 m² of two mats of 1.5 oz/ft² and one cloth of 12 oz/yd², 10 % waste.

    The weights are 458 and 407 g/m² (printed to 1 g/m², so 0.2 %); 2 * (2 * 458 * 2.5 + 407 * 1.25).
    """
    plies = [
        Ply(Weave.MAT, parse_areal_g_m2("1.5 oz/ft2"), 2),
        Ply(Weave.CLOTH, parse_areal_g_m2("12 oz/yd2")),
    ]
    lay = layup(2.0, plies, resin_density_g_ml=1.1, waste_pct=10.0)
    assert lay.glass_g == pytest.approx(2 * (2 * 458 + 407), rel=2e-3)
    assert lay.laid_g == pytest.approx(2 * (2 * 458 * 2.5 + 407 * 1.25), rel=2e-3)
    assert lay.resin_g == pytest.approx(1.1 * lay.laid_g)


@given(
    st.lists(
        st.builds(Ply, st.sampled_from(list(Weave)), st.floats(50, 1200), st.integers(1, 6)),
        min_size=1,
        max_size=5,
    ),
    st.floats(0.1, 50),
    st.floats(0, 40),
)
def test_mass_and_volume_are_conserved(plies: list[Ply], area_m2: float, waste_pct: float) -> None:
    def of(chosen: list[Ply]) -> Layup:
        return layup(area_m2, chosen, resin_density_g_ml=1.15, waste_pct=waste_pct)

    whole, parts = of(plies), [of([ply]) for ply in plies]
    assert whole.glass_g == pytest.approx(sum(part.glass_g for part in parts))
    assert whole.resin_g == pytest.approx(sum(part.resin_g for part in parts))
    assert whole.thickness_mm == pytest.approx(sum(part.thickness_mm for part in parts))
    # Glass of 2.55 g/mL (handbook) and resin fill the laminate.
    volume_ml = whole.thickness_mm / 1000.0 * area_m2 * 1e6
    assert volume_ml == pytest.approx(whole.glass_g / 2.55 + whole.laid_g / 1.15)


def test_what_makes_no_sense_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="areal_g_m2 0 g/m² must be above 0"):
        Ply(Weave.MAT, 0.0)
    with pytest.raises(ValueError, match="count 0 must be 1 to 100"):
        Ply(Weave.MAT, 450.0, 0)
    with pytest.raises(ValueError, match="area_m2 -1 must be above 0"):
        layup(-1.0, [Ply(Weave.MAT, 450.0)], resin_density_g_ml=1.1)
    with pytest.raises(ValueError, match="waste_pct 120 % is outside 0 to 100 %"):
        layup(1.0, [Ply(Weave.MAT, 450.0)], resin_density_g_ml=1.1, waste_pct=120.0)
    with pytest.raises(ValueError, match="at least one ply"):
        layup(1.0, [], resin_density_g_ml=1.1)
