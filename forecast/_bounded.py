"""Bounded least squares for models that step many variants side by side: one pass gives misses and slopes."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Misses = Callable[[Array], Array]
"""From points (variants, constants) to misses (variants, n), each in units of its own scale."""

_SLOPE_STEP = 0.02


@dataclass(frozen=True, slots=True)
class Prior:
    """A constant's usual value, how far it varies from shed to shed (ln), and its bounds."""

    usual: float
    spread: float
    low: float
    high: float


def within(start: Array, low: Array, high: Array) -> Array:
    """Return a start that lies inside its bounds, as the solver wants it."""
    room = 1e-6 * (high - low)
    return np.clip(start, low + room, high - room)


def bounded_fit(misses: Misses, start: Array, low: Array, high: Array, *, rounds: int = 25) -> Array:
    """Return the point within bounds of least misses, large ones counted little.

    Points are in standard deviations of their priors, so that the point itself is one more miss.
    """
    from scipy.optimize import least_squares

    solver = _Solver(misses, high)
    found: Array = least_squares(
        solver.residuals, within(start, low, high), solver.slopes, bounds=(low, high),
        loss="soft_l1", x_scale=1.0, max_nfev=rounds, ftol=1e-4, xtol=1e-3,
    ).x  # fmt: skip
    return found


class _Solver:
    """Residuals and slopes of one point, remembered: the solver asks for them one after the other."""

    def __init__(self, misses: Misses, high: Array) -> None:
        self._misses = misses
        self._high = high
        self._at: Array | None = None
        self._residuals: Array = np.empty(0)
        self._slopes: Array = np.empty((0, 0))

    def residuals(self, point: Array) -> Array:
        self._look(point)
        return self._residuals

    def slopes(self, point: Array) -> Array:
        self._look(point)
        return self._slopes

    def _look(self, point: Array) -> None:
        if self._at is not None and np.array_equal(point, self._at):
            return
        steps = np.where(point + _SLOPE_STEP < self._high, _SLOPE_STEP, -_SLOPE_STEP)
        points = np.vstack([point, point + np.diag(steps)])
        misses = np.concatenate([self._misses(points), points], axis=1)
        self._at = point.copy()
        self._residuals = misses[0]
        self._slopes = ((misses[1:] - misses[0]) / steps[:, None]).T
