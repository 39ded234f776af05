"""Arithmetic for a plain float or a float64 array alike, so that a formula is written once for both.

Only an array loads numpy: what judges single readings stays small and starts quickly.
"""

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

F = TypeVar("F", float, "FloatArray")


def log(value: F) -> F:
    """Return the natural logarithm; of 0 minus infinity, below 0 NaN.

    >>> log(0.0)
    -inf
    """
    if isinstance(value, float):
        if value > 0.0:
            return math.log(value)
        return -math.inf if value == 0.0 else math.nan
    import numpy as np

    with np.errstate(divide="ignore", invalid="ignore"):
        return np.log(value)


def exp(value: F) -> F:
    """Return e to the power of the value.

    >>> exp(0.0)
    1.0
    """
    if isinstance(value, float):
        return math.exp(value)
    import numpy as np

    return np.exp(value)


def hypot(value: float, other: F) -> F:
    """Return the root of the sum of squares.

    >>> hypot(3.0, 4.0)
    5.0
    """
    if isinstance(other, float):
        return math.hypot(value, other)
    import numpy as np

    return np.hypot(value, other)


def between(value: F, low: float, high: float) -> F:
    """Return the value, or the nearer end where it lies outside.

    >>> between(101.5, 0.0, 100.0)
    100.0
    """
    if isinstance(value, float):
        return min(max(value, low), high)
    import numpy as np

    return np.clip(value, low, high)


def where(holds: "bool | npt.NDArray[np.bool_]", value: F, other: F) -> F:
    """Return `value` where something holds, elsewhere `other`.

    >>> where(2.0 > 1.0, 5.0, 6.0)
    5.0
    """
    if isinstance(value, float):
        return value if holds else other
    import numpy as np

    return np.where(holds, value, other)


def nan_where(holds: "bool | npt.NDArray[np.bool_]", value: F) -> F:
    """Return the value, NaN where something holds.

    >>> nan_where(True, 5.0)
    nan
    """
    if isinstance(value, float):
        return math.nan if holds else value
    import numpy as np

    return np.where(holds, np.nan, value)


def mended(value: F, holds: "bool | npt.NDArray[np.bool_]", mend: Callable[[F], F], of: F) -> F:
    """Return the value, but ``mend(of)`` where something holds; it is worked out only there.

    >>> mended(5.0, False, math.sqrt, 9.0)
    5.0
    """
    if isinstance(value, float):
        return mend(of) if holds else value
    assert not isinstance(holds, bool)  # noqa: S101  of arrays comes an array
    if holds.any():
        value[holds] = mend(of[holds])
    return value
