"""A voice that bends: trees on how everything has changed of late, for the next six hours.

Ridges are straight; an open window, a thermostat at its edge or a lamp are not. Trees see a rise
badly where they have to put it together from two levels, so they are given the changes
themselves, and forecast the change to come. Alone they are no better than ridges from some hours
on, but what they get wrong is other than what ridges get wrong: a share of theirs makes the mix
better (`forecast.weighing`), where to be weighed as one more ridge would leave them none.

Extremely randomised trees: Geurts, Ernst and Wehenkel 2006, doi 10.1007/s10994-006-6226-1.
Shares of forecasts that err differently: Bates and Granger 1969, doi 10.1057/jors.1969.103.
"""

import sys
from collections.abc import Sequence
from typing import Protocol

import numpy as np
import numpy.typing as npt

from forecast.baselines import lagged, running_mean, same_hour
from forecast.features import Features
from forecast.past import DAY_STEPS, Array, Times

# Half hours ahead at which they speak; those of one group share their trees.
_GROUPS = ((2,), (6, 12))
TREE_KNOTS = tuple(knot for group in _GROUPS for knot in group)
_LAGS = (1, 2, 3, 4, 6, 8, 12, 16, 24)
_OTHER_LAGS = (1, 2, 4)
_ROOM_LAGS = (1, 2)
_DAYS_BEFORE = (1, 2, 3, 7)
_MACHINES = ("outdoor", "heater", "vent", "lamp")
_WARMTHS = ("air_c", "part_c", "setpoint_c", "pipe_c")
# What is measured in the same unit, so that the difference says something.
_LIKE = {"air_c": _WARMTHS, "part_c": _WARMTHS, "humidity_pct": ("humidity_pct",)}
_MIN_ROWS = 8 * DAY_STEPS
_TREES, _LEAF_ROWS, _INPUTS_SHARE = 40, 5, 0.4

Inputs = npt.NDArray[np.float32]


class Forest(Protocol):
    """Trees that were fitted."""

    def predict(self, inputs: Inputs) -> Array:
        """Return the changes (n,) or (n, targets), in standard deviations."""


# One per group, with the standard deviations of its targets; None where there was too little to learn from.
TreeFits = tuple[tuple[Forest, Array] | None, ...]


class Changes:
    """All that the trees look at for one (bay, quantity), by origin: nothing later than the origin.

    Parameters
    ----------
    features : Features
        Of the same bay and quantity.
    bay, quantity : str
    """

    def __init__(self, features: Features, bay: str, quantity: str) -> None:
        self._features = features
        lately = self._lately(bay, quantity)
        self._inputs = [self._toward(group, lately) for group in _GROUPS]

    def fit(self, refit: int) -> TreeFits:
        """Learn from targets measured by step `refit`; scikit-learn is loaded here and not before."""
        return tuple(self._fit(place, refit) for place in range(len(_GROUPS)))

    def say(self, fits: TreeFits, span: Times) -> Array:
        """Return what the trees say (`TREE_KNOTS`, origins) at the origins of `span`; NaN if they cannot."""
        said = np.full((len(TREE_KNOTS), len(span)), np.nan)
        for group, inputs, fit in zip(_GROUPS, self._inputs, fits, strict=True):
            if fit is None or not len(span):
                continue
            forest, scale = fit
            changes = forest.predict(inputs[span]).reshape(len(span), -1) * scale
            places = [TREE_KNOTS.index(knot) for knot in group]
            said[places] = self._features.values[span] + changes.T
        return said

    def _fit(self, place: int, refit: int) -> tuple[Forest, Array] | None:
        features, group = self._features, _GROUPS[place]
        rows = np.arange(DAY_STEPS, max(DAY_STEPS, refit - group[-1] + 1))
        ahead = [lagged(features.measured, -knot)[rows] - features.values[rows] for knot in group]
        changes = np.stack(ahead, axis=1)
        usable = features.heard[rows] & np.isfinite(changes).all(axis=1)
        rows, changes = rows[usable], changes[usable]
        if len(rows) < _MIN_ROWS:
            return None
        scale = changes.std(axis=0) + 1e-9
        return planted(self._inputs[place][rows], np.squeeze(changes / scale)), scale

    def _lately(self, bay: str, quantity: str) -> Array:
        """Return (n, inputs): what has changed in the last hours, and how far things lie from one another."""
        features, own = self._features, self._features.values
        columns = [own - lagged(own, lag) for lag in _LAGS]
        columns.append(own - running_mean(own, DAY_STEPS))
        for name, values in features.filled.items():
            place, _, what = name.rpartition(".")
            near = place in (bay, *_MACHINES)
            if name == f"{bay}.{quantity}" or "forecast" in what or not (near or what == "air_c"):
                continue
            columns.append(values - own if what in _LIKE.get(quantity, ()) else values)
            columns += [values - lagged(values, lag) for lag in (_OTHER_LAGS if near else _ROOM_LAGS)]
        for name, within in features.history.within.items():
            if name.rpartition(".")[0] in (bay, *_MACHINES):
                columns += list(within.T)
        return np.stack([*columns, *features.hour_waves], axis=1)

    def _toward(self, group: Sequence[int], lately: Array) -> Inputs:
        """Return the inputs for the targets of one group: its last days, and what is known of its hours."""
        features, own = self._features, self._features.values
        yesterday = lagged(own, DAY_STEPS)
        columns = []
        for knot in group:
            steps = sorted({1, knot // 2, knot})
            columns += [lagged(own, DAY_STEPS - step) - yesterday for step in steps]
            columns += [same_hour(own, knot, day) - own for day in _DAYS_BEFORE]
            columns += features.known_ahead(knot)
        whole = np.hstack([lately, np.stack(columns, axis=1)])
        return np.nan_to_num(whole).astype(np.float32)


def planted(inputs: Inputs, changes: Array) -> Forest:
    """Return a forest fitted to changes (n,) or (n, targets), each in its own standard deviations.

    scikit-learn loads pandas where there is one, only to know its frames when it meets them: 95 MB
    that a small computer has better use for. While it is loaded, there is none.
    """
    absent = "pandas" not in sys.modules
    if absent:
        sys.modules["pandas"] = None  # type: ignore[assignment]
    try:
        from sklearn.ensemble import ExtraTreesRegressor
    finally:
        if absent:
            del sys.modules["pandas"]
    forest = ExtraTreesRegressor(
        _TREES, min_samples_leaf=_LEAF_ROWS, max_features=_INPUTS_SHARE, random_state=0
    )
    fitted: Forest = forest.fit(inputs, changes)
    return fitted
