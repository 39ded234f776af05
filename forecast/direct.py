"""Plain ridges from now straight to each half hour ahead: what paths are drawn about beside the mix.

The mix of experts (`forecast.experts`) is the better forecast of a value. Of whether a limit
breaks, ridges fitted to least squares often know more: a mean leans towards the rare bad hour
that a median ignores.
"""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from forecast.past import DAY_STEPS, Array, History, filled
from forecast.ridge import fit_ridge

_OWN_LAGS = (0, 1, 2, 3, 4, 6, 8, 12, 18, 24, 36, 48)
_OTHER_LAGS = (0, 4, 12, 24, 48)
_OTHERS = ("outdoor.", "heater.", "vent.", "lamp.")
_PENALTY = 10.0
_LEAST_ROWS = 4 * DAY_STEPS
_DAY_US = 86_400_000_000


def direct_inputs(history: History, bay: str) -> Array:
    """Return (n, inputs): the bay's own quantities, the outdoors and the machines with lags, and the hour."""
    columns = []
    for name, values in history.columns.items():
        place = name.rpartition(".")[0]
        if (place != bay and not name.startswith(_OTHERS)) or "forecast" in name:
            continue
        whole = filled(values, name)
        columns += [_lagged(whole, lag) for lag in (_OWN_LAGS if place == bay else _OTHER_LAGS)]
    turn = history.times_us % _DAY_US * (2 * np.pi / _DAY_US)
    columns += [np.sin(turn), np.cos(turn), np.sin(2 * turn), np.cos(2 * turn)]
    return np.stack(columns, axis=1)


def _lagged(values: Array, steps: int) -> Array:
    """Return the values `steps` earlier; before there were any, the first."""
    return values[np.maximum(np.arange(len(values)) - steps, 0)]


class DirectCourses:
    """What ridges straight to each half hour say, by the fit that speaks at an origin.

    They are fitted at each of `refits` to what was measured by then, and speak until the next.
    A fit also says what it would have said of the past: how far off it is there is what its
    paths are drawn with, for the fits before it were of a shed less known.

    Parameters
    ----------
    inputs : (n, inputs) array
        From `direct_inputs`.
    values : (n,) array
        The quantity, without holes.
    refits : sequence of int
        Rising steps.
    ahead_steps : int
        How many half hours the courses have.
    """

    def __init__(self, inputs: Array, values: Array, refits: Sequence[int], ahead_steps: int) -> None:
        self._refits = [fit_at for fit_at in refits if fit_at >= _LEAST_ROWS + ahead_steps]
        spans = pairwise([*self._refits, len(values)])
        self._courses = [_fitted(inputs, values, span, ahead_steps) for span in spans]

    def of(self, origin: int) -> Array | None:
        """Return (origins, 1 + ahead_steps) of the fit that speaks at `origin`: the value now, and after it.

        None before there was enough to fit to.
        """
        place = bisect_right(self._refits, origin) - 1
        return self._courses[place] if place >= 0 else None


def _fitted(inputs: Array, values: Array, span: tuple[int, int], ahead_steps: int) -> Array:
    """Return the courses of all origins up to the end of `span` by ridges fitted at its beginning."""
    fit_at, end = span
    rows = np.arange(DAY_STEPS, fit_at - ahead_steps + 1)
    changes = values[rows[:, None] + np.arange(1, ahead_steps + 1)] - values[rows, None]
    ridge = fit_ridge(inputs[rows], changes, _PENALTY)
    return np.column_stack([values[:end], values[:end, None] + ridge.say(inputs[:end])])
