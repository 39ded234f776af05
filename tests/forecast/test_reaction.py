"""The autocatalytic integrator against exact and published courses."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.units import ZERO_C_K
from forecast.card import Family
from forecast.reaction import Floats, Lumps, react, reaction

GAS_J_MOL_K = 8.314462618


def held_at(temp_c: float) -> Lumps:
    """One lump that makes no heat and so stays at its temperature."""
    return Lumps(np.zeros(1), np.zeros(1), np.array([temp_c]), np.array([temp_c]))


@given(st.floats(-20, 150), st.floats(1, 3000))
def test_second_order_cure_follows_its_exact_solution(temp_c: float, until_s: float) -> None:
    """dC/dt = K (1-C)², K = exp(-1000/T): C = K t / (1 + K t). Exact, so to the 1e-6 asked for."""
    rate_per_s = np.exp(-1000.0 / (temp_c + ZERO_C_K))
    trace = react(
        lambda cured, _: rate_per_s * (1.0 - cured) ** 2, held_at(temp_c), until_s=until_s, until_share=1.0
    )
    exact = rate_per_s * trace.elapsed_s / (1.0 + rate_per_s * trace.elapsed_s)
    np.testing.assert_allclose(trace.cured_share, exact, atol=1e-6, rtol=0)
    assert trace.elapsed_s[-1, 0] == pytest.approx(until_s)


def test_second_order_cure_is_half_done_at_30_s() -> None:
    # Computed, exact: 1/K at 293.2 K is 30.28 s, printed to 0.01 s.
    trace = react(lambda c, _: np.exp(-1000.0 / 293.2) * (1.0 - c) ** 2, held_at(20.05), until_s=30.28)
    assert trace.cured_share[-1, 0] == pytest.approx(0.5, abs=1e-4)


@pytest.mark.parametrize(("hours", "printed_share"), [(8, 0.519), (24, 0.864)])
def test_published_amine_epoxy_at_20_c(hours: float, printed_share: float) -> None:
    # doi 10.1016/j.tca.2015.11.014, table 5 (read second-hand); the chemical part alone, from 1e-7.
    # The course was computed elsewhere and is printed to 0.001.
    kelvin = 293.15
    first = 35982.0 * np.exp(-54960.0 / (GAS_J_MOL_K * kelvin))
    second = 3574.1 * np.exp(-44289.0 / (GAS_J_MOL_K * kelvin))

    def per_s(cured: Floats, _: Floats) -> Floats:
        return np.asarray((first + second * cured**0.39845) * (1.0 - cured) ** 1.5361)

    trace = react(per_s, held_at(20.0), until_s=hours * 3600.0, from_share=1e-7)
    assert trace.cured_share[-1, 0] == pytest.approx(printed_share, abs=5e-4)


@given(
    st.sampled_from(list(Family)),
    st.floats(5, 600),
    st.floats(30_000, 90_000),
    st.floats(0, 60),
)
def test_resin_held_at_a_temperature_gels_at_the_sheets_time(
    family: Family, gel_min: float, activation_j_mol: float, temp_c: float
) -> None:
    """The law is scaled to that, so it is exact but for the integrator and the half-degree grid (1e-4)."""

    def sheet_min(temps_c: Floats) -> Floats:
        inverse = 1.0 / (temps_c + ZERO_C_K) - 1.0 / (20.0 + ZERO_C_K)
        minutes: Floats = gel_min * np.exp(activation_j_mol / GAS_J_MOL_K * inverse)
        return minutes

    resin = reaction(family, sheet_min, heat_j_g=400.0, density_g_ml=1.1)
    wanted_s = 60.0 * float(sheet_min(np.array([temp_c]))[0])
    trace = react(resin.per_s, held_at(temp_c), until_s=wanted_s)
    assert trace.cured_share[-1, 0] == pytest.approx(resin.shape.gel_share, rel=1e-3)


def test_lumps_side_by_side_do_not_disturb_each_other() -> None:
    resin = reaction(
        Family.EPOXY, lambda t: 60.0 * 2.0 ** ((20.0 - t) / 10.0), heat_j_g=450, density_g_ml=1.1
    )
    rises, losses = np.array([0.0, 225.0, 225.0]), np.array([0.0, 1e-3, 1e-5])
    together = react(resin.per_s, Lumps(rises, losses, np.full(3, 20.0), np.full(3, 15.0)))
    for i in range(3):
        alone = react(
            resin.per_s, Lumps(rises[i : i + 1], losses[i : i + 1], np.array([20.0]), np.array([15.0]))
        )
        assert together.temp_c[:, i].max() == pytest.approx(alone.temp_c.max(), abs=1e-9)
        assert together.elapsed_s[-1, i] == pytest.approx(alone.elapsed_s[-1, 0])


def test_what_makes_no_sense_is_refused() -> None:
    def gel_min(temps_c: Floats) -> Floats:
        return 30.0 + 0.0 * temps_c

    with pytest.raises(ValueError, match="heat_j_g 0 must be above 0"):
        reaction(Family.EPOXY, gel_min, heat_j_g=0.0, density_g_ml=1.1)
    with pytest.raises(ValueError, match="density_g_ml -1 must be above 0"):
        reaction(Family.EPOXY, gel_min, heat_j_g=400.0, density_g_ml=-1.0)
    with pytest.raises(ValueError, match="a time above 0 min"):
        reaction(Family.EPOXY, lambda t: 30.0 - t, heat_j_g=400.0, density_g_ml=1.1)
    with pytest.raises(ValueError, match="until_s 0 must be above 0"):
        react(lambda c, _: c, held_at(20.0), until_s=0.0)
    with pytest.raises(ValueError, match="loss_per_s 50 is too quick"):
        react(lambda c, _: 1e-6 * (1 - c), Lumps(np.full(1, 200.0), np.full(1, 50.0), np.ones(1), np.ones(1)))
