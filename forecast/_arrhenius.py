"""The arithmetic under `forecast.resin`: a Gaussian process about an Arrhenius plane.

With u = 1/(R T) in mol/kJ and z = ln(catalyst %), the logarithm of a time is

    ln t(u, z) = a + E u - n z + c b(u) + r(u, z) + noise,

a plane whose slopes E (activation energy) and n (catalyst exponent) have Gaussian priors,
with a sag b between the coldest and the warmest row (c: charts steepen in the cold), and a
rest r with a Matérn 3/2 kernel: once differentiable, free to have the kinks that printed
charts have. How large and
how wide the rest is differs from sheet to sheet, so neither is chosen: both are averaged
over, weighed by how well each explains the sheet at hand.

A library's Gaussian process has no priors on the slopes of its mean, fits one size of the
rest where a sheet has three cells to tell it from, and takes a second to import.

References
----------
.. [1] C. E. Rasmussen, C. K. I. Williams, "Gaussian Processes for Machine Learning", MIT Press
   2006: posterior eq. (2.25)-(2.26), Gaussian priors on a linear mean sec. 2.7, marginal
   likelihood eq. (2.30), Matérn 3/2 eq. (4.17).
"""

from dataclasses import dataclass
from itertools import product
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from collector.units import ZERO_C_K

FloatArray = npt.NDArray[np.float64]

GAS_CONSTANT_KJ = 8.314462618e-3  # kJ/(mol K), CODATA 2018

# Resins that gel or harden at shed temperatures publish 30-90 kJ/mol and exponents of 0.5-1.5:
# the priors hold about nine tenths of their weight there.
_ENERGY_MEAN, _ENERGY_SD = 58.0, 17.0
_EXPONENT_MEAN, _EXPONENT_SD = 1.0, 0.3
# No opinion: e to the power of 4.1 ± 4 minutes is from one minute to two days.
_INTERCEPT_MEAN, _INTERCEPT_SD = 4.1, 4.0
# The second derivative of ln t over u, (kJ/mol)²: mean and standard deviation. It acts between the
# coldest and the warmest row only, or it would run away beyond them. Gel tables show no common
# bend. Tables of hardness sag, as it slows more in the cold than gel does: the size is from the
# one published chart with six rows, where it predicts left-out rows best.
_GEL_SAG, _HARDENING_SAG = (0.0, 400.0), (4000.0, 800.0)
# The rest about the plane, as a share: sheets are off their best plane by 4 to 40 %.
_SIZES = np.array([0.05, 0.1, 0.2, 0.4])
_SIZE_MEDIAN, _SIZE_SPREAD = 0.2, 0.7
# How far in u it reaches: 6 to 20 K at 20 °C (1 K is 0.0014 mol/kJ).
_REACHES = np.array([0.008, 0.014, 0.026])
# How far in ln %: a factor of 1.65.
_REACH_LN_PCT = 0.5
# A size and reach with less than this share of the weight would change nothing that shows.
_NEGLIGIBLE = 0.01


@dataclass(frozen=True, slots=True)
class Observations:
    """Times seen: u, ln %, ln minutes, the noise of each, and what makes some err together.

    `together` (n, n) is an additional covariance of the observations, `to_target` (n,) that
    of each with the offset that predictions shall have, `target_variance` that offset's own.
    `hardening` is true for times to a hardness, whose tables sag.
    """

    u: FloatArray
    z: FloatArray
    ln_min: FloatArray
    noise: FloatArray
    together: FloatArray
    to_target: FloatArray
    target_variance: float
    hardening: bool = False


@dataclass(frozen=True, slots=True)
class Posterior:
    """Mean and standard deviation of ln minutes over a grid (u, z), and of the shared offset."""

    mean: FloatArray
    sd: FloatArray
    offset_mean: float
    offset_sd: float


def inverse_temperature(temp_c: FloatArray) -> FloatArray:
    """Return 1/(R T) [mol/kJ]: activation energies are slopes over it."""
    return np.asarray(1.0 / (GAS_CONSTANT_KJ * (temp_c + ZERO_C_K)))


def posterior(seen: Observations, u_nodes: FloatArray, z_nodes: FloatArray) -> Posterior:
    """Return what `seen` says about ln minutes on the grid of every u node with every z node.

    The mixture over sizes and reaches is summed up by its mean and variance.
    """
    fits = [_Fit(seen, size, reach) for size, reach in product(_SIZES, _REACHES)]
    log_weights = np.array([fit.log_weight for fit in fits])
    weights = np.exp(log_weights - log_weights.max())
    kept = np.flatnonzero(weights > _NEGLIGIBLE * weights.sum())
    weights = weights[kept] / weights[kept].sum()
    told = [fits[k].predict(u_nodes, z_nodes) for k in kept]
    means = np.array([one.mean for one in told])
    mean = np.tensordot(weights, means, 1)
    variance = np.tensordot(weights, np.array([one.variance for one in told]) + (means - mean) ** 2, 1)
    offsets = np.array([fits[k].offset() for k in kept])
    offset_mean = float(weights @ offsets[:, 0])
    offset_variance = weights @ (offsets[:, 1] + (offsets[:, 0] - offset_mean) ** 2)
    return Posterior(mean, np.sqrt(variance), offset_mean, float(np.sqrt(offset_variance)))


def _plane(u: FloatArray, z: FloatArray, seen: Observations) -> FloatArray:
    """Return what the four coefficients multiply, in a last axis of four."""
    warmest, coldest = seen.u.min(), seen.u.max()
    # Slopes are told apart from the intercept best about the middle of what was seen.
    u_mid, z_mid = float(seen.u.mean()), float(seen.z.mean())
    between = np.clip(u, warmest, coldest)
    sag = -0.5 * (between - warmest) * (coldest - between)
    return np.stack([np.ones_like(u), u - u_mid, z_mid - z, sag], axis=-1)


def _matern(distance: FloatArray) -> FloatArray:
    scaled = np.sqrt(3.0) * np.abs(distance)
    return np.asarray((1.0 + scaled) * np.exp(-scaled))


class _Told(NamedTuple):
    mean: FloatArray
    variance: FloatArray


class _Fit:
    """One size and reach of the rest: how likely it is, and what it predicts."""

    def __init__(self, seen: Observations, size: float, reach: float) -> None:
        self._seen, self._size, self._reach = seen, size, reach
        sag_mean, sag_sd = _HARDENING_SAG if seen.hardening else _GEL_SAG
        self._variance = np.diag([_INTERCEPT_SD**2, _ENERGY_SD**2, _EXPONENT_SD**2, sag_sd**2])
        self._slopes = np.array([_INTERCEPT_MEAN, _ENERGY_MEAN, _EXPONENT_MEAN, sag_mean])
        self._plane = _plane(seen.u, seen.z, seen)
        rest = self._rest(seen.u[:, None] - seen.u, seen.z[:, None] - seen.z)
        covariance = self._plane @ self._variance @ self._plane.T + rest
        covariance += seen.together + np.diag(seen.noise**2)
        self._root = np.linalg.cholesky(covariance)
        self._miss = np.linalg.solve(self._root, seen.ln_min - self._plane @ self._slopes)
        self.log_weight = float(
            -0.5 * self._miss @ self._miss
            - np.log(np.diag(self._root)).sum()
            - 0.5 * (np.log(size / _SIZE_MEDIAN) / _SIZE_SPREAD) ** 2
        )

    def predict(self, u_nodes: FloatArray, z_nodes: FloatArray) -> _Told:
        """Mean and variance of ln minutes over the grid."""
        seen = self._seen
        grid = _plane(*np.meshgrid(u_nodes, z_nodes, indexing="ij"), seen)
        shared = grid @ (self._variance @ self._plane.T) + seen.to_target
        shared += self._rest((u_nodes[:, None] - seen.u)[:, None, :], (z_nodes[:, None] - seen.z)[None, :, :])
        half = np.linalg.solve(self._root, shared.reshape(-1, seen.u.size).T)
        mean = grid @ self._slopes + (self._miss @ half).reshape(grid.shape[:2])
        before = np.einsum("ijk,kl,ijl->ij", grid, self._variance, grid)
        before += self._size**2 + seen.target_variance
        known = np.einsum("nm,nm->m", half, half).reshape(before.shape)
        # Rounding alone can leave a hair below zero where everything is known.
        return _Told(mean, np.maximum(before - known, 0.0))

    def offset(self) -> tuple[float, float]:
        """Mean and variance of the offset that predictions have."""
        half = np.linalg.solve(self._root, self._seen.to_target)
        return float(self._miss @ half), max(self._seen.target_variance - float(half @ half), 0.0)

    def _rest(self, apart_u: FloatArray, apart_z: FloatArray) -> FloatArray:
        return np.asarray(self._size**2 * (_matern(apart_u / self._reach) * _matern(apart_z / _REACH_LN_PCT)))
