"""A mixed batch as a reacting lump: how long it can be worked in the pot, in a tray, as a film.

The same resin dies soonest in a deep pot: the heat of its own reaction cannot leave, and the
warmer it gets the quicker it reacts. Spread out in a tray it lasts longer, and on the part it stays
near the temperature of the shed. Peaks are upper bounds: two polyesters measured in cups peaked
at 126 and 162 °C (doi 10.3390/polym16172391), where these sums give about 180 °C.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from collector.units import S_PER_MIN
from forecast.body import MAX_MASS_G, Body, in_pot, in_tray, on_mould
from forecast.reaction import COLDEST_C, HOTTEST_C, Floats, Lumps, Reaction, Trace, react

HOT_LAMINATE_C = 80.0
"""Above this a laminate prints through, warps and may craze: common practice, no source."""
_COLDEST_C = -10.0
_HOTTEST_C = 60.0
_SMALLEST_G = 1.0
_TOLERANCE_SHARE = 1e-6


@dataclass(frozen=True, slots=True)
class Outcome:
    """When a body gels and how hot it gets.

    `gel_min` is NaN where it does not gel within two days.
    """

    gel_min: float
    peak_c: float
    peak_min: float


@dataclass(frozen=True, slots=True)
class WorkTimes:
    """How long one batch lasts from mixing to gel: all in its pot, in a tray, or laid out as a film."""

    film_min: float
    tray_min: float
    pot_min: float
    pot_peak_c: float
    tray_peak_c: float


def traces(
    resin: Reaction, bodies: Sequence[Body], resin_c: float, air_c: float, *, until_share: float = 0.99
) -> Trace:
    """Return the course of several bodies of one resin, side by side (see `forecast.reaction.Trace`).

    Parameters
    ----------
    resin : Reaction
        The mixed resin.
    bodies : sequence of Body
        At least one.
    resin_c, air_c : float
        Temperatures of the resin when mixed and of the air around it [°C], -10 to 60.
    until_share : float
        The cured share to stop at, in 0..1.

    Raises
    ------
    ValueError
        If a temperature is outside the range.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> slow = reaction(Family.EPOXY, lambda t: 300.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                 heat_j_g=450.0, density_g_ml=1.1)
    >>> bool(traces(slow, [in_pot(slow, 500.0)], 20.0, 20.0).temp_c.max() > 100.0)
    True
    """
    for name, temp_c in (("resin_c", resin_c), ("air_c", air_c)):
        if not _COLDEST_C <= temp_c <= _HOTTEST_C:
            raise ValueError(f"{name} {temp_c:g} °C is outside {_COLDEST_C:g} to {_HOTTEST_C:g} °C")
    spread = np.ones(len(bodies))
    lumps = Lumps(
        np.array([body.rise_k for body in bodies]),
        np.array([body.loss_per_s for body in bodies]),
        resin_c * spread,
        air_c * spread,
    )
    return react(resin.per_s, lumps, until_share=until_share, tolerance_share=_TOLERANCE_SHARE)


def outcomes(resin: Reaction, bodies: Sequence[Body], resin_c: float, air_c: float) -> tuple[Outcome, ...]:
    """Return when each body gels and how hot it gets.

    The arguments and errors are those of `traces`.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> slow = reaction(Family.EPOXY, lambda t: 300.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                 heat_j_g=450.0, density_g_ml=1.1)
    >>> full, flat = outcomes(slow, [in_pot(slow, 500.0), in_tray(slow, 50.0)], 20.0, 20.0)
    >>> full.gel_min < 0.5 * flat.gel_min
    True
    """
    trace = traces(resin, bodies, resin_c, air_c)
    gels_min = _gels_min(resin, trace)
    peaks = np.argmax(trace.temp_c, axis=0)
    return tuple(
        Outcome(float(gel), float(trace.temp_c[peak, i]), float(trace.elapsed_s[peak, i]) / S_PER_MIN)
        for i, (gel, peak) in enumerate(zip(gels_min, peaks, strict=True))
    )


def gels_min(resin: Reaction, bodies: Sequence[Body], resin_c: float, air_c: float) -> Floats:
    """Return when each body gels [min], NaN where it does not within two days.

    Quicker than `outcomes`, since it stops at gel. The arguments and errors are those of `traces`.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> slow = reaction(Family.EPOXY, lambda t: 300.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                 heat_j_g=450.0, density_g_ml=1.1)
    >>> full, flat = gels_min(slow, [in_pot(slow, 500.0), in_tray(slow, 50.0)], 20.0, 20.0)
    >>> bool(full < 0.5 * flat)
    True
    """
    trace = traces(resin, bodies, resin_c, air_c, until_share=resin.shape.gel_share)
    return _gels_min(resin, trace)


def work_times(resin: Reaction, mass_g: float, resin_c: float, air_c: float) -> WorkTimes:
    """Return how long a batch lasts to gel in its pot, in a tray and as a film, and how hot it gets.

    Parameters
    ----------
    resin : Reaction
        The mixed resin.
    mass_g : float
        Mass of the batch [g], above 0 to 50,000.
    resin_c, air_c : float
        Temperatures of the resin when mixed and of the air [°C], -10 to 60. A film takes on
        the temperature of the air (of the part, if that is passed as `air_c`) at once.

    Raises
    ------
    ValueError
        If a value is outside its range.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> slow = reaction(Family.EPOXY, lambda t: 300.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                 heat_j_g=450.0, density_g_ml=1.1)
    >>> times = work_times(slow, 500.0, 20.0, 20.0)
    >>> times.pot_min < times.tray_min < times.film_min
    True
    """
    pot, tray = outcomes(resin, [in_pot(resin, mass_g), in_tray(resin, mass_g)], resin_c, air_c)
    return WorkTimes(film_min(resin, air_c), tray.gel_min, pot.gel_min, pot.peak_c, tray.peak_c)


def film_min(resin: Reaction, temp_c: float) -> float:
    """Return how long the resin lasts to gel if held at a temperature [min], -40 to 200 °C.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> ester = reaction(Family.VINYL_ESTER, lambda t: 30.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                  heat_j_g=380.0, density_g_ml=1.1)
    >>> round(film_min(ester, 25.0), 2)
    21.21
    """
    if not COLDEST_C <= temp_c <= HOTTEST_C:
        raise ValueError(f"temp_c {temp_c:g} °C is outside {COLDEST_C:g} to {HOTTEST_C:g} °C")
    pace = resin.per_s(np.zeros(1), np.array([temp_c]))[0] / resin.shape.start_ratio
    return float(resin.shape.gel_factor() / pace) / S_PER_MIN


def as_film_of_cup(resin: Reaction, cup_g: float, temp_c: float) -> Reaction:
    """Return a resin whose gel times were taken in a cup, slowed to what they are without its heat.

    Parameters
    ----------
    resin : Reaction
        Made from gel times as if they were those of a film.
    cup_g : float
        Mass in the cup [g], above 0 to 50,000.
    temp_c : float
        Where the cup's time is to be met exactly [°C], -10 to 60: best in the middle of the
        sheet's table. One factor serves all temperatures.

    Raises
    ------
    ValueError
        If a value is outside its range, or no film time gives the cup's.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> cup = reaction(Family.EPOXY, lambda t: 25.0 * 2.0 ** ((25.0 - t) / 10.0),
    ...                heat_j_g=450.0, density_g_ml=1.1)
    >>> film = as_film_of_cup(cup, 100.0, 25.0)
    >>> round(outcomes(film, [in_pot(film, 100.0)], 25.0, 25.0)[0].gel_min, 2), film_min(film, 25.0) > 100.0
    (25.0, True)
    """
    wanted_min = film_min(resin, temp_c)
    body = in_pot(resin, cup_g)

    def cup_min(factors: Floats) -> Floats:
        # A reaction slowed by a factor, seen by a clock slowed as much, is the same with more loss.
        bodies = [replace(body, loss_per_s=body.loss_per_s * factor) for factor in factors]
        return factors * gels_min(resin, bodies, temp_c, temp_c)

    factors = np.geomspace(1.0, 100.0, 20)
    for _ in range(2):
        times_min = cup_min(factors)
        above = int(np.argmax(times_min >= wanted_min))
        if times_min[above] < wanted_min or above == 0:
            raise ValueError(f"no film time fits {wanted_min:g} min in a cup of {cup_g:g} g at {temp_c:g} °C")
        low, high = factors[above - 1], factors[above]
        factors = np.geomspace(low, high, 20)
    ln_factor = np.interp(wanted_min, times_min[above - 1 : above + 1], np.log([low, high]))
    return replace(resin, ln_pace=resin.ln_pace - ln_factor)


def largest_mass_g(holds: Callable[[Floats], list[bool]]) -> float | None:
    """Return the largest mass [g] up to which something holds.

    Parameters
    ----------
    holds : callable
        Whether it does, at rising masses [g]; true for the small, false for the large.

    Returns
    -------
    float or None
        1 to 50,000, to 2 % and never too large; None if it does not even hold for 1 g.

    >>> round(largest_mass_g(lambda masses_g: [mass <= 500.0 for mass in masses_g]) / 500.0, 1)
    1.0
    """
    low_g, high_g = _SMALLEST_G, MAX_MASS_G
    for _ in range(2):  # each round narrows the range to a 23rd of its logarithm
        masses_g = np.geomspace(low_g, high_g, 24)
        held = holds(masses_g)
        if not held[0]:
            return None
        if all(held):
            return high_g
        first = held.index(False)
        low_g, high_g = float(masses_g[first - 1]), float(masses_g[first])
    return low_g


def laminate_peak_c(
    resin: Reaction, thickness_mm: float, glass_pct: float, resin_c: float, air_c: float
) -> float:
    """Return how hot a laminate laid in one go gets [°C].

    Compare with `HOT_LAMINATE_C`. The arguments and errors are those of `on_mould` and `traces`.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> ester = reaction(Family.VINYL_ESTER, lambda t: 30.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                  heat_j_g=380.0, density_g_ml=1.1)
    >>> laminate_peak_c(ester, 2.0, 35.0, 20.0, 20.0) < HOT_LAMINATE_C
    True
    """
    [outcome] = outcomes(resin, [on_mould(resin, thickness_mm, glass_pct)], resin_c, air_c)
    return outcome.peak_c


def _gels_min(resin: Reaction, trace: Trace) -> Floats:
    """Find the gel point inside the step that passes it, on the cubic through both ends and slopes."""
    gel = resin.shape.gel_share
    lumps = np.arange(trace.cured_share.shape[1])
    after = np.maximum(np.argmax(trace.cured_share >= gel, axis=0), 1)
    ends = np.array([after - 1, after])
    cured, temp_c, elapsed_s = (x[ends, lumps] for x in (trace.cured_share, trace.temp_c, trace.elapsed_s))
    span = elapsed_s[1] - elapsed_s[0]
    rise = resin.per_s(cured, temp_c) * span
    low, high = np.zeros(lumps.size), np.ones(lumps.size)
    for _ in range(40):
        x = 0.5 * (low + high)
        reached = (
            (1 + 2 * x) * (1 - x) ** 2 * cured[0]
            + x * (1 - x) ** 2 * rise[0]
            + x**2 * (3 - 2 * x) * cured[1]
            + x**2 * (x - 1) * rise[1]
        )
        low, high = np.where(reached < gel, x, low), np.where(reached < gel, high, x)
    gelled = cured[1] >= gel
    return np.where(gelled, elapsed_s[0] + high * span, np.nan) / S_PER_MIN
