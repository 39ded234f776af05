"""How a mixed resin reacts and warms itself: an autocatalytic law scaled to the gel times it is known by.

The law is ``d(cured)/dt = g(T) (start + cured^m) (1 - cured)^n``. Its shape belongs to the
family; its pace `g` at each temperature is set so that resin held at that temperature, as a
thin film is, reaches its gel point exactly at the gel time of the resin card. A mass that
cannot shed its heat runs ahead of that.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from collector.units import S_PER_H, S_PER_MIN
from forecast.card import Family

Floats = npt.NDArray[np.float64]

COLDEST_C = -40.0
HOTTEST_C = 200.0
_GRID_C: Floats = np.arange(COLDEST_C, HOTTEST_C + 0.5, 0.5)

_MAX_STEPS = 5_000
_KELVINS_PER_SHARE = 1000.0  # a tolerance of 1e-6 of cure goes with one of 1e-3 K


@dataclass(frozen=True, slots=True)
class Shape:
    """The course of a cure, whatever its pace: the law's constants and the share cured at gel."""

    start_ratio: float
    m_exponent: float
    n_exponent: float
    gel_share: float

    def __call__(self, cured: Floats) -> Floats:
        """Return (start + cured^m) (1 - cured)^n."""
        return (self.start_ratio + cured**self.m_exponent) * (1.0 - cured) ** self.n_exponent

    def gel_factor(self) -> float:
        """Return the integral of 1 / law from 0 to the gel point: gel time times pace."""
        # cured = x^4 takes the kink of cured^m at 0 out of the integrand.
        nodes, weights = np.polynomial.legendre.leggauss(200)
        top = self.gel_share**0.25
        x = 0.5 * top * (nodes + 1.0)
        return float(np.sum(0.5 * top * weights * 4.0 * x**3 / self(x**4)))


# Amine epoxy: m, n and the ratio of the two rate constants at 20 °C from table 5 of doi
# 10.1016/j.tca.2015.11.014 (read second-hand). A diepoxide with a diamine gels at 1/sqrt(3) of
# its bonds (Flory and Stockmayer; from memory).
_AMINE = Shape(start_ratio=0.127, m_exponent=0.39845, n_exponent=1.5361, gel_share=0.577)
# Peroxide resins gel when a few per cent of their double bonds are gone; most of the heat comes
# after gel (from memory). Start and n are our choice, so that a cup of 100 g peaks at 1.7 to 1.9 gel
# times (two polyesters measured: 1.2 and 2.6, doi 10.3390/polym16172391) and four layers of mat at a
# time, which a resin maker's hand lay-up guide gives as the most, stay below 80 °C.
_PEROXIDE = Shape(start_ratio=0.05, m_exponent=1.0, n_exponent=2.0, gel_share=0.05)


@dataclass(frozen=True, slots=True, eq=False)
class Reaction:
    """One resin at one percentage of hardener, as the sums of a pot need it. Made by `reaction`.

    `ln_pace` is ln of the law's pace [1/s] on an even grid of temperatures.
    """

    shape: Shape
    ln_pace: Floats = field(repr=False)
    heat_j_g: float
    density_g_ml: float

    def per_s(self, cured: Floats, temp_c: Floats) -> Floats:
        """Return how fast the cured share grows [1/s].

        Above 200 °C, where no surface of gel times reaches and the reaction is over within
        seconds, the pace stays what it is at 200 °C.
        """
        pace = np.exp(np.interp(temp_c, _GRID_C, self.ln_pace))
        return pace * self.shape(np.clip(cured, 0.0, 1.0))


def reaction(
    family: Family, gel_min: Callable[[Floats], Floats], *, heat_j_g: float, density_g_ml: float
) -> Reaction:
    """Return how a resin reacts that is known by its gel times.

    Parameters
    ----------
    family : Family
        Sets the course: peroxide resins stay cool until gel, epoxies warm from the start.
    gel_min : callable
        Gel time [min] at an array of temperatures [°C], -40 to 200, for the percentage of
        hardener in question; positive.
    heat_j_g : float
        Heat of reaction per gram of mixed resin [J/g], above 0.
    density_g_ml : float
        Density of the mixed resin [g/mL], above 0.

    Raises
    ------
    ValueError
        If a value is not above 0 or not finite.

    References
    ----------
    M. R. Kamal, S. Sourour, Polym. Eng. Sci. 13 (1973) 59, doi 10.1002/pen.760130110 (the law).

    >>> from forecast.card import Family
    >>> quick = reaction(Family.EPOXY, lambda t: 40.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                  heat_j_g=450.0, density_g_ml=1.1)
    >>> round(quick.shape.gel_factor() / float(np.exp(np.interp(20.0, _GRID_C, quick.ln_pace))) / 60, 6)
    40.0
    """
    for name, value in (("heat_j_g", heat_j_g), ("density_g_ml", density_g_ml)):
        if not 0.0 < value < np.inf:
            raise ValueError(f"{name} {value:g} must be above 0")
    times_min = np.asarray(gel_min(_GRID_C), dtype=np.float64)
    if times_min.shape != _GRID_C.shape or not np.all(np.isfinite(times_min) & (times_min > 0.0)):
        raise ValueError("gel_min must give a time above 0 min at each temperature from -40 to 200 °C")
    shape = _AMINE if family is Family.EPOXY else _PEROXIDE
    return Reaction(shape, np.log(shape.gel_factor() / (times_min * S_PER_MIN)), heat_j_g, density_g_ml)


@dataclass(frozen=True, slots=True, eq=False)
class Lumps:
    """Masses that react side by side, each of one temperature: equally long arrays.

    `rise_k` is what all the heat would warm a mass by with none lost, `loss_per_s` its
    heat loss per kelvin above the air over its heat capacity.
    """

    rise_k: Floats
    loss_per_s: Floats
    start_c: Floats
    air_c: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """What became of the lumps: arrays of steps x lumps; each lump has its own steps.

    `lost_k` is the heat lost so far, as the warming it would have been.
    """

    elapsed_s: Floats
    cured_share: Floats
    temp_c: Floats
    lost_k: Floats


def react(
    per_s: Callable[[Floats, Floats], Floats],
    lumps: Lumps,
    *,
    until_s: float = 48.0 * S_PER_H,
    from_share: float = 0.0,
    until_share: float = 0.999,
    tolerance_share: float = 1e-8,
) -> Trace:
    """Integrate the heat balance of reacting lumps until they are cured or time is up.

    ``d(cured)/dt = per_s(cured, T)`` and ``dT/dt = rise d(cured)/dt - loss (T - air)``.

    Parameters
    ----------
    per_s : callable
        Growth of the cured share [1/s] at arrays of cured share and temperature [°C].
    lumps : Lumps
        The masses.
    until_s : float
        Longest time [s], above 0.
    from_share, until_share : float
        Shares to start from and to stop at, in 0..1.
    tolerance_share : float
        Error of the cured share that a step may make; of the temperature a thousand times
        as many kelvins.

    Returns
    -------
    Trace
        All accepted steps; after its end a lump's last values repeat.

    Raises
    ------
    ValueError
        If `until_s` is not above 0, or a lump sheds heat within about a second.

    References
    ----------
    Dormand and Prince, J. Comput. Appl. Math. 6 (1980) 19, 5(4) pair, local extrapolation.

    >>> one = np.ones(1)
    >>> lump = Lumps(0 * one, 0 * one, 20 * one, 20 * one)
    >>> trace = react(lambda c, t: 0.01 * (1.0 - c), lump, until_s=100.0)
    >>> round(float(trace.cured_share[-1, 0]), 6)
    0.632121
    """
    if not until_s > 0.0:
        raise ValueError(f"until_s {until_s:g} must be above 0")

    def slope(state: Floats) -> Floats:
        growth = per_s(state[0], state[1])
        lost = lumps.loss_per_s * (state[1] - lumps.air_c)
        return np.array([growth, lumps.rise_k * growth - lost, lost])

    count = lumps.rise_k.size
    elapsed = np.zeros(count)
    state = np.array([np.full(count, from_share), lumps.start_c, np.zeros(count)], dtype=np.float64)
    step = np.full(count, min(1.0, until_s))
    rows = [(elapsed, state)]
    while (live := (elapsed < until_s) & (state[0] < until_share)).any():
        if len(rows) > _MAX_STEPS:
            quickest = lumps.loss_per_s.max()
            raise ValueError(f"loss_per_s {quickest:g} is too quick for the sums ({_MAX_STEPS} steps)")
        step = np.where(live, np.minimum(step, until_s - elapsed), 0.0)
        ahead, error = _dormand_prince(slope, state, step)
        error = error / tolerance_share
        accepted = error <= 1.0
        elapsed = np.where(accepted, elapsed + step, elapsed)
        state = np.where(accepted, ahead, state)
        rows.append((elapsed, state))
        growth = 0.9 * np.maximum(error, 1e-10) ** -0.2
        step = np.where(live, step * np.clip(growth, 0.2, 5.0), step)
    states = np.array([state for _, state in rows])
    return Trace(np.array([at for at, _ in rows]), states[:, 0], states[:, 1], states[:, 2])


# Dormand and Prince 1980, table 2: one row a stage, then the fifth- less the fourth-order weights.
_STAGES = (
    (1 / 5,),
    (3 / 40, 9 / 40),
    (44 / 45, -56 / 15, 32 / 9),
    (19372 / 6561, -25360 / 2187, 64448 / 6561, -212 / 729),
    (9017 / 3168, -355 / 33, 46732 / 5247, 49 / 176, -5103 / 18656),
    (35 / 384, 0.0, 500 / 1113, 125 / 192, -2187 / 6784, 11 / 84),
)
_ERROR = (71 / 57600, 0.0, -71 / 16695, 71 / 1920, -17253 / 339200, 22 / 525, -1 / 40)


def _dormand_prince(slope: Callable[[Floats], Floats], state: Floats, step: Floats) -> tuple[Floats, Floats]:
    """Return the state a step ahead and, lump by lump, its error as a share of cure."""
    slopes = [slope(state)]
    ahead = state
    for weights in _STAGES:
        rise = sum((w * s for w, s in zip(weights, slopes, strict=True) if w), np.zeros_like(state))
        ahead = state + step * rise
        slopes.append(slope(ahead))
    off = np.abs(step * sum((w * s for w, s in zip(_ERROR, slopes, strict=True) if w), np.zeros_like(state)))
    return ahead, np.maximum(off[0], off[1] / _KELVINS_PER_SHARE)
