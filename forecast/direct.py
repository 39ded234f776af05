"""Plain ridges from now straight to each half hour ahead: what paths are drawn about beside the mix.

The mix of experts (`forecast.experts`) is the better forecast of a value. Of whether a limit
breaks, ridges fitted to least squares often know more: a mean leans towards the rare bad hour
that a median ignores.
"""

from collections.abc import Sequence

import numpy as np

from forecast.past import DAY_STEPS, Array, History, Times, filled

_OWN_LAGS = (0, 1, 2, 3, 4, 6, 8, 12, 18, 24, 36, 48)
_OTHER_LAGS = (0, 4, 12, 24, 48)
_OTHERS = ("outdoor.", "heater.", "vent.", "lamp.")
_PENALTY = 10.0
_CLIP_SD = 6.0
_LEAST_ROWS = 3 * DAY_STEPS
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


def direct_courses(inputs: Array, values: Array, refits: Sequence[int], ahead_steps: int) -> Array:
    """Return (n, 1 + ahead_steps) by origin: the value now, and what ridges say of each half hour after it.

    They are fitted at each of `refits` to what was measured by then, and speak until the next;
    before there is enough to fit to, NaN.
    """
    courses = np.full((len(values), ahead_steps + 1), np.nan)
    courses[:, 0] = values
    ends = [*refits[1:], len(values)]
    for fit_at, end in zip(refits, ends, strict=True):
        rows = np.arange(DAY_STEPS, fit_at - ahead_steps + 1)
        if len(rows) >= _LEAST_ROWS:
            courses[fit_at:end, 1:] = _fitted(inputs, values, rows, np.arange(fit_at, end), ahead_steps)
    return courses


def _fitted(inputs: Array, values: Array, rows: Times, span: Times, ahead_steps: int) -> Array:
    """Return the courses of `span` by ridges fitted to `rows`: one Gram matrix serves every half hour."""
    mean, scale = inputs[rows].mean(axis=0), inputs[rows].std(axis=0) + 1e-9
    known = np.clip((inputs[rows] - mean) / scale, -_CLIP_SD, _CLIP_SD)
    changes = values[rows[:, None] + np.arange(1, ahead_steps + 1)] - values[rows, None]
    centre, middle = known.mean(axis=0), changes.mean(axis=0)
    known -= centre
    gram = known.T @ known + _PENALTY * np.eye(known.shape[1])
    slopes = np.linalg.solve(gram, known.T @ (changes - middle))
    now = np.clip((inputs[span] - mean) / scale, -_CLIP_SD, _CLIP_SD) - centre
    found: Array = values[span, None] + now @ slopes + middle
    return found
