"""Sonntag's saturation curves over water and ice, and their inverses: the arithmetic under `forecast.air`.

Everything here works on floats or float64 arrays whose range has been checked; `call` does that and
hands scalars and arrays through one kernel. Only arrays load numpy.

References
----------
.. [1] D. Sonntag, "Important new values of the physical constants of 1986, vapour pressure
   formulations based on the ITS-90, and psychrometer formulae", Z. Meteorol. 40 (1990) 340-344,
   eq. (7) over water, -100 to 100 °C, and eq. (8) over ice, -100 to 0.01 °C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from collector import either
from collector.units import ZERO_C_K

if TYPE_CHECKING:
    from collections.abc import Callable

    from collector.either import F, FloatArray

# Small enough for a block and its temporaries to stay in a core's cache.
_BLOCK_SIZE = 8192


@dataclass(frozen=True, slots=True)
class Curve:
    """Saturation pressure over one phase: ln(pressure/Pa) = a/T + b + c T + d T² + f ln T.

    The Magnus form, ``magnus_a * t / (magnus_b + t)`` over `ln_zero` (WMO-No. 8, annex 4.B),
    is only where the inverse starts.
    """

    a: float
    b: float
    c: float
    d: float
    f: float
    magnus_a: float
    magnus_b: float
    ln_zero: float

    def ln_pressure(self, kelvin: F) -> F:
        """Return ln(pressure/Pa) at absolute temperatures."""
        return self.a / kelvin + (self.b + kelvin * (self.c + self.d * kelvin)) + self.f * either.log(kelvin)

    def slope(self, kelvin: F) -> F:
        """Return d ln(pressure) / dT [1/K]."""
        inverse = 1.0 / kelvin
        return inverse * (self.f - self.a * inverse) + (self.c + 2.0 * self.d * kelvin)

    def temperature(self, ln_pressure: F) -> F:
        """Return the temperature [°C] at which the curve has this ln(pressure/Pa).

        Two Newton steps from the Magnus start; ln(pressure) bends so little that they
        leave less than 1e-6 K from -100 to 100 °C.
        """
        above_zero = ln_pressure - self.ln_zero
        kelvin = above_zero * self.magnus_b / (self.magnus_a - above_zero) + ZERO_C_K
        for _ in range(2):
            kelvin -= (self.ln_pressure(kelvin) - ln_pressure) / self.slope(kelvin)
        kelvin -= ZERO_C_K
        return kelvin


_LN_611_2 = math.log(611.2)
WATER = Curve(
    -6096.9385, 21.2409642, -2.711193e-2, 1.673952e-5, 2.433502, 17.62, 243.12, _LN_611_2
)  # fmt: skip
ICE = Curve(
    -6024.5282, 29.32707, 1.0613868e-2, -1.3198825e-5, -0.49382577, 22.46, 272.62, _LN_611_2
)  # fmt: skip
MIN_C = -100.0


class Bound(NamedTuple):
    """An argument's name, unit and the closed range in which it has a meaning."""

    name: str
    unit: str
    low: float
    high: float

    def check(self, values: FloatArray) -> None:
        """Raise ValueError for the first value outside; NaN passes."""
        if values.size == 0:
            return
        low, high = values.min(), values.max()
        if low >= self.low and high <= self.high:
            return
        outside = (values < self.low) | (values > self.high)
        if outside.any():
            raise ValueError(self._outside(values[outside].flat[0]))

    def check_one(self, value: float) -> None:
        """Raise ValueError for a value outside, and for NaN."""
        if math.isnan(value):
            raise ValueError(
                f"{self.name} is not a number; it must be {self.low:g} to {self.high:g} {self.unit}"
            )
        if not self.low <= value <= self.high:
            raise ValueError(self._outside(value))

    def _outside(self, value: float) -> str:
        return f"{self.name} {value:g} {self.unit} is outside {self.low:g} to {self.high:g} {self.unit}"


TEMP = Bound("temp_c", "°C", MIN_C, 100.0)
HUMIDITY = Bound("humidity_pct", "%", 0.0, 100.0)
# ln of the vapour pressure/Pa at which the dew point is 0 °C, and at the driest there is a curve for.
LN_ZERO, LN_DRIEST = (WATER.ln_pressure(kelvin) for kelvin in (ZERO_C_K, MIN_C + ZERO_C_K))


def vapour_pa(temp: F, humidity: F) -> F:
    """Vapour pressure [Pa] of air at `temp` [°C] and `humidity` [% over water]."""
    return either.exp(WATER.ln_pressure(temp + ZERO_C_K)) * (humidity * 0.01)


def call(
    kernel: Callable[..., Any],
    *arguments: tuple[float | FloatArray, Bound],
    undefined: str = "",
) -> float | FloatArray:
    """Check the range of each argument and run `kernel` over them, arrays block by block.

    All scalars give a float; any array gives a float64 array of the broadcast shape, with
    NaN wherever an argument is NaN or the kernel finds no value. A scalar call that has
    no value raises ValueError with the text `undefined`.
    """
    if all(isinstance(value, int | float) for value, _ in arguments):
        return _of_numbers(kernel, [(float(value), bound) for value, bound in arguments], undefined)
    import numpy as np

    arrays = [np.asarray(value, dtype=np.float64) for value, _ in arguments]
    for array, (_, bound) in zip(arrays, arguments, strict=True):
        bound.check(array)
    return _in_blocks(kernel, arrays)


def _of_numbers(kernel: Callable[..., float], arguments: list[tuple[float, Bound]], undefined: str) -> float:
    for value, bound in arguments:
        bound.check_one(value)
    result = float(kernel(*(value for value, _ in arguments)))
    if math.isnan(result):
        shown = ", ".join(f"{bound.name} {value:g} {bound.unit}" for value, bound in arguments)
        raise ValueError(f"{undefined} at {shown}")
    return result


def _in_blocks(kernel: Callable[..., FloatArray], arrays: list[FloatArray]) -> FloatArray:
    import numpy as np

    shape = np.broadcast_shapes(*(array.shape for array in arrays))
    # A scalar beside an array stays one number; only true arrays are spread and flattened.
    flat = [
        array.reshape(1) if array.size == 1 else np.broadcast_to(array, shape).reshape(-1) for array in arrays
    ]
    result = np.empty(int(np.prod(shape)))
    for start in range(0, result.size, _BLOCK_SIZE):
        end = start + _BLOCK_SIZE
        result[start:end] = kernel(*(array if array.size == 1 else array[start:end] for array in flat))
    return result.reshape(shape)
