"""The mixed batch: energy is conserved, deep goes first, and what is published is met."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.units import ZERO_C_K
from forecast.body import Body, in_pot, in_tray, on_mould
from forecast.card import Family
from forecast.pot import (
    HOT_LAMINATE_C,
    as_film_of_cup,
    film_min,
    gels_min,
    laminate_peak_c,
    largest_mass_g,
    outcomes,
    traces,
    work_times,
)
from forecast.reaction import Floats, Reaction, reaction


def resin_of(family: Family, gel_min_20c: float, activation_j_mol: float = 50_000.0) -> Reaction:
    """Return a resin by its gel time at 20 °C; generic heats of reaction, common practice, no source."""

    def sheet_min(temps_c: Floats) -> Floats:
        inverse = 1.0 / (temps_c + ZERO_C_K) - 1.0 / (20.0 + ZERO_C_K)
        return gel_min_20c * np.exp(activation_j_mol / 8.314462618 * inverse)

    heat_j_g = {Family.EPOXY: 450.0, Family.VINYL_ESTER: 380.0, Family.POLYESTER: 330.0}[family]
    return reaction(family, sheet_min, heat_j_g=heat_j_g, density_g_ml=1.1)


resins = st.builds(
    resin_of, st.sampled_from(list(Family)), st.floats(10.0, 600.0), st.floats(40_000.0, 80_000.0)
)
temps_c = st.floats(5.0, 35.0)
masses_g = st.floats(20.0, 10_000.0)


@given(resins, masses_g, temps_c, temps_c)
@settings(max_examples=40, deadline=None)
def test_heat_released_is_heat_stored_and_heat_lost(
    resin: Reaction, mass_g: float, resin_c: float, air_c: float
) -> None:
    bodies = [in_pot(resin, mass_g), in_tray(resin, mass_g), on_mould(resin, 4.0, 35.0)]
    trace = traces(resin, bodies, resin_c, air_c)
    for i, body in enumerate(bodies):
        released_k = body.rise_k * trace.cured_share[:, i]
        # The balance itself: rounding only.
        np.testing.assert_allclose(
            trace.temp_c[:, i] - resin_c + trace.lost_k[:, i], released_k, rtol=0, atol=1e-6
        )
        # The loss summed again from the temperatures alone, by the trapezoid rule over the steps.
        warmer_k = trace.temp_c[:, i] - air_c
        lost_k = body.loss_per_s * np.trapezoid(warmer_k, trace.elapsed_s[:, i])
        assert lost_k == pytest.approx(trace.lost_k[-1, i], abs=0.02 * body.rise_k)


@given(st.builds(resin_of, st.sampled_from(list(Family)), st.floats(10.0, 120.0)), st.floats(15.0, 35.0))
@settings(max_examples=20, deadline=None)
def test_a_mass_that_loses_nothing_keeps_all_its_heat(resin: Reaction, temp_c: float) -> None:
    [outcome] = outcomes(resin, [Body(rise_k=100.0, loss_per_s=0.0)], temp_c, temp_c)
    assert outcome.peak_c == pytest.approx(temp_c + 100.0, abs=1.01)  # it stops at 99 % of cure


@given(resins, temps_c)
@settings(max_examples=20, deadline=None)
def test_a_film_gels_at_the_sheets_time(resin: Reaction, temp_c: float) -> None:
    """Whatever its heat: without rise it is the sheet's time, by the integrator and by the closed form."""
    [gel_min] = gels_min(resin, [Body(rise_k=0.0, loss_per_s=0.0)], temp_c, temp_c)
    if math.isnan(gel_min):
        assert film_min(resin, temp_c) > 48 * 60
    else:
        assert gel_min == pytest.approx(film_min(resin, temp_c), rel=2e-3)


@given(resins, masses_g, temps_c)
@settings(max_examples=30, deadline=None)
def test_the_pot_goes_before_the_tray_and_the_tray_before_the_film(
    resin: Reaction, mass_g: float, temp_c: float
) -> None:
    times = work_times(resin, mass_g, temp_c, temp_c)
    assert times.pot_min < times.film_min
    assert times.pot_min <= times.tray_min * 1.03  # a very deep tray is no better than a pot
    assert times.tray_min <= times.film_min * 1.002


@given(resins, masses_g, temps_c, st.floats(1.2, 5.0))
@settings(max_examples=30, deadline=None)
def test_more_in_the_pot_and_a_warmer_shed_both_shorten_it(
    resin: Reaction, mass_g: float, temp_c: float, more: float
) -> None:
    small, large = outcomes(resin, [in_pot(resin, mass_g), in_pot(resin, mass_g * more)], temp_c, temp_c)
    assert large.gel_min < small.gel_min * 1.001
    assert large.peak_c > small.peak_c - 1.0
    [warm] = outcomes(resin, [in_pot(resin, mass_g)], temp_c + 5.0, temp_c + 5.0)
    assert warm.gel_min < small.gel_min


@given(st.floats(1.0, 50_000.0))
def test_the_largest_mass_is_never_too_large_and_close(limit_g: float) -> None:
    """Two rounds of 23 equal steps of the logarithm: the last is 50,000 to the 529th root, 2.07 %."""
    found_g = largest_mass_g(lambda masses_g: [mass <= limit_g for mass in masses_g])
    assert found_g is not None
    assert limit_g / 1.0208 <= found_g <= limit_g


def test_the_largest_mass_ends_with_its_range() -> None:
    assert largest_mass_g(lambda masses_g: [True] * len(masses_g)) == 50_000.0
    assert largest_mass_g(lambda masses_g: [False] * len(masses_g)) is None


def test_what_hardly_reacts_does_not_gel_within_two_days() -> None:
    resin = resin_of(Family.EPOXY, 1e7)
    [outcome] = outcomes(resin, [in_pot(resin, 1000.0)], 5.0, 5.0)
    assert math.isnan(outcome.gel_min)


def test_a_cup_of_polyester_peaks_no_colder_than_measured_ones() -> None:
    """Measured in cups: 162 °C at 2.6 gel times and 126 °C at 1.2 (doi 10.3390/polym16172391, read).

    A data sheet of a general-purpose resin prints 145 to 165 °C. Ours is an upper bound,
    between the hottest of these and a third of the rise above it.
    """
    resin = resin_of(Family.POLYESTER, 20.0)
    [outcome] = outcomes(resin, [in_pot(resin, 100.0)], 25.0, 25.0)
    assert 162.0 < outcome.peak_c < 25.0 + (165.0 - 25.0) * 4 / 3
    assert 1.2 < outcome.peak_min / outcome.gel_min < 2.6


def test_a_gallon_of_quick_epoxy_is_gone_in_minutes_and_scorching() -> None:
    """A resin maker: a gallon mixed at once is solid in about 5 min, 100 g can reach 400 °F (204 °C); read.

    Their quick hardener lasts 60 to 70 min as a film at 72 °F (from memory), so: 3 to 10 min.
    """
    resin = resin_of(Family.EPOXY, 65.0)
    gallon, cup = outcomes(resin, [in_pot(resin, 4200.0), in_pot(resin, 100.0)], 22.2, 22.2)
    assert 3.0 < gallon.gel_min < 10.0
    assert cup.peak_c > 200.0


def test_four_layers_of_mat_stay_cool_and_twelve_do_not() -> None:
    """A resin maker's hand lay-up guide: no more than four layers at a time, then let them cool (read).

    A layer of 450 g/m² mat at 2.5:1 is 1.2 mm thick and 29 % glass. Polyester of 25 min at 20 °C.
    """
    resin = resin_of(Family.POLYESTER, 25.0)
    peaks_c = [laminate_peak_c(resin, 1.2 * layers, 29.0, 20.0, 20.0) for layers in (1, 2, 4, 8, 12)]
    assert peaks_c == sorted(peaks_c)
    assert peaks_c[2] < HOT_LAMINATE_C < peaks_c[4]


@pytest.mark.parametrize("family", [Family.EPOXY, Family.VINYL_ESTER])
def test_a_sheet_whose_times_were_taken_in_a_cup_gives_longer_films(family: Family) -> None:
    cup = resin_of(family, 25.0)
    film = as_film_of_cup(cup, 100.0, 20.0)
    [gel_min] = gels_min(film, [in_pot(film, 100.0)], 20.0, 20.0)
    assert gel_min == pytest.approx(25.0, rel=1e-3)
    assert film_min(film, 20.0) > 1.2 * 25.0


def test_a_cup_that_no_film_could_have_given_is_refused() -> None:
    """Fifty kilograms of a resin that gels within a day warm by themselves, however slow the film."""
    with pytest.raises(ValueError, match="no film time fits"):
        as_film_of_cup(resin_of(Family.EPOXY, 1e5), 50_000.0, 20.0)


def test_out_of_range_is_refused_by_name() -> None:
    resin = resin_of(Family.EPOXY, 50.0)
    with pytest.raises(ValueError, match="mass_g 0 g must be above 0 and at most 50000 g"):
        in_pot(resin, 0.0)
    with pytest.raises(ValueError, match="area_m2 -1"):
        in_tray(resin, 100.0, -1.0)
    with pytest.raises(ValueError, match="thickness_mm 60 mm"):
        on_mould(resin, 60.0, 30.0)
    with pytest.raises(ValueError, match="glass_pct 90 % is outside 0 to 80 %"):
        on_mould(resin, 5.0, 90.0)
    with pytest.raises(ValueError, match="air_c 70 °C is outside -10 to 60 °C"):
        work_times(resin, 100.0, 20.0, 70.0)
    with pytest.raises(ValueError, match="temp_c 300 °C is outside -40 to 200 °C"):
        film_min(resin, 300.0)
