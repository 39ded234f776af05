"""How fast something goes at a temperature, tabulated so that a whole night can be summed exactly.

A rate is kept on a fine grid of temperatures and taken as straight between two of its points.
Beside it stands its integral over temperature. Where the temperature itself runs straight from
one sample to the next, the mean rate between them is the difference of that integral over the
difference of temperature: exact for the tabulated rate, however coarse or fine the samples.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from collector.units import ZERO_C_K

Floats = npt.NDArray[np.float64]

LOWEST_C = -40.0
HIGHEST_C = 200.0
_PER_KELVIN = 90  # every tenth of a °C and every tenth of a °F lies on the grid

GRID_C: Floats = LOWEST_C + np.arange(round((HIGHEST_C - LOWEST_C) * _PER_KELVIN) + 1) / _PER_KELVIN
GRID_C.flags.writeable = False

FADE_K = 2.0
"""Below a floor a rate falls to nothing over this span; a cliff would follow a sensor's noise."""


@dataclass(frozen=True, slots=True, eq=False)
class Rate:
    """How much of something is done per hour, by temperature; done when it sums to 1.

    Between two points of `GRID_C` the rate is straight, so its integral is
    ``total[i] + f * (step[i] + f * bend[i])`` at the fraction `f` of cell `i`. Straight lines
    err by less than 1e-6 of the rate for activation energies up to 170 kJ/mol.
    """

    total: Floats
    step: Floats
    bend: Floats

    def per_h(self, temp_c: npt.ArrayLike) -> Floats:
        """Return the rate [1/h].

        Parameters
        ----------
        temp_c : array_like
            Temperature [°C], -40 to 200.

        Raises
        ------
        ValueError
            Outside that range, or where a temperature is not a number.

        >>> round(float(arrhenius_rate(5000.0, 23.0).per_h(15.0)), 4)
        0.6258
        """
        return self.per_h_in(*grid_cells(temp_c))

    def hours(self, temp_c: npt.ArrayLike) -> Floats:
        """Return the time to 1 at a constant temperature [h]; infinite where nothing goes on.

        The range of `temp_c` and its errors are those of `per_h`.

        >>> round(float(arrhenius_rate(5000.0, 23.0).hours(23.0)), 6)
        1.0
        """
        rate = self.per_h(temp_c)
        return np.divide(1.0, rate, out=np.full_like(rate, np.inf), where=rate > 0.0)

    def per_h_in(self, cell: npt.NDArray[np.intp], part: Floats) -> Floats:
        """Return the rate [1/h] at grid cells and fractions."""
        return np.asarray((self.step.take(cell) + 2.0 * part * self.bend.take(cell)) * _PER_KELVIN)

    def integral(self, cell: npt.NDArray[np.intp], part: Floats) -> Floats:
        """Return the integral of the rate over temperature [K/h] at grid cells and fractions."""
        out = self.bend.take(cell)
        out *= part
        out += self.step.take(cell)
        out *= part
        out += self.total.take(cell)
        return out

    def fading_below(self, floor_c: float) -> "Rate":
        """Return this rate, falling from its full size at `floor_c` [°C] to nothing 2 K colder.

        >>> arrhenius_rate(5000.0, 23.0).fading_below(10.0).per_h([8.0, 9.0, 10.0]).round(3).tolist()
        [0.0, 0.216, 0.461]
        """
        return tabulated_rate(self.per_h(GRID_C) * np.clip((GRID_C - floor_c) / FADE_K + 1.0, 0.0, 1.0))

    def times(self, factor: float) -> "Rate":
        """Return this rate, `factor` times as fast.

        Raises
        ------
        ValueError
            If `factor` is not above 0.
        """
        if not factor > 0.0:
            raise ValueError(f"a rate's factor must be above 0, not {factor}")
        return Rate(self.total * factor, self.step * factor, self.bend * factor)


def tabulated_rate(grid_per_h: npt.ArrayLike) -> Rate:
    """Return a rate from its values [1/h] at each temperature of `GRID_C`.

    Raises
    ------
    ValueError
        If the values do not fit the grid, or one is negative or not finite.

    >>> float(tabulated_rate(np.full(GRID_C.size, 0.25)).hours(20.0))
    4.0
    """
    values = np.asarray(grid_per_h, dtype=np.float64)
    if values.shape != GRID_C.shape:
        raise ValueError(f"a rate needs {GRID_C.size} values, one for each of GRID_C, not {values.shape}")
    if not np.all(np.isfinite(values) & (values >= 0.0)):
        raise ValueError("a rate's values must be finite and not negative")
    step = values / _PER_KELVIN
    rise = np.diff(step, append=step[-1])
    total = np.concatenate(([0.0], np.cumsum(step[:-1] + rise[:-1] / 2.0)))
    return Rate(total, step, rise / 2.0)


def arrhenius_rate(activation_k: float, reference_c: float, reference_h: float = 1.0) -> Rate:
    """Return the rate of one activated process: 1 / `reference_h` at `reference_c`.

    ``exp(-Q (1/T - 1/Tr)) / t_r``: with Q = `activation_k` and t_r = 1 h it is the equivalent
    age factor of concrete maturity (Freiesleben Hansen and Pedersen, ASTM C1074).

    Parameters
    ----------
    activation_k : float
        Activation energy over the gas constant [K], 0 or more.
    reference_c : float
        Reference temperature [°C], -40 to 200.
    reference_h : float
        Time to 1 at the reference temperature [h], above 0.

    Raises
    ------
    ValueError
        If a value is outside its range.

    >>> arrhenius_rate(5000.0, 23.0).per_h([5.0, 30.0]).round(4).tolist()
    [0.3354, 1.4768]
    """
    if not activation_k >= 0.0:
        raise ValueError(f"activation_k must be 0 or more, not {activation_k}")
    if not LOWEST_C <= reference_c <= HIGHEST_C:
        raise ValueError(f"reference_c must be -40 to 200 °C, not {reference_c}")
    if not reference_h > 0.0:
        raise ValueError(f"reference_h must be above 0, not {reference_h}")
    inverse = 1.0 / (reference_c + ZERO_C_K) - 1.0 / (GRID_C + ZERO_C_K)
    return tabulated_rate(np.exp(activation_k * inverse) / reference_h)


def grid_cells(temp_c: npt.ArrayLike) -> tuple[npt.NDArray[np.intp], Floats]:
    """Return the grid's cell and the fraction of it for each temperature [°C].

    Raises
    ------
    ValueError
        If one is below -40 or above 200 °C, or not a number.
    """
    temps = np.asarray(temp_c, dtype=np.float64)
    if not np.all((temps >= LOWEST_C) & (temps <= HIGHEST_C)):
        raise ValueError(f"temperatures must be {LOWEST_C:g} to {HIGHEST_C:g} °C and finite")
    place = (temps - LOWEST_C) * _PER_KELVIN
    cell = place.astype(np.intp)
    return cell, place - cell
