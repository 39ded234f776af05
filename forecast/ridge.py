"""Ridges from many inputs to many targets at once: one Gram matrix serves all targets."""

from dataclasses import dataclass

import numpy as np

from forecast.past import Array

_CLIP_SD = 6.0


@dataclass(frozen=True, slots=True)
class Ridge:
    """A fitted ridge: how inputs (inputs,) are made alike, and what they tell of each target (targets,)."""

    mean: Array
    scale: Array
    centre: Array
    slopes: Array
    middle: Array

    def say(self, inputs: Array) -> Array:
        """Return the targets (n, targets) for inputs (n, inputs)."""
        return np.asarray((alike(inputs, self.mean, self.scale) - self.centre) @ self.slopes + self.middle)


def fit_ridge(inputs: Array, targets: Array, shrinking_factor: float) -> Ridge:
    """Return the ridge of inputs (n, inputs) and targets (n, targets), all of them known.

    An input further than six standard deviations from its mean counts as six; `shrinking_factor` is as many
    rows that speak for no slope at all.
    """
    mean, scale = inputs.mean(axis=0), inputs.std(axis=0) + 1e-9
    known = alike(inputs, mean, scale)
    centre, middle = known.mean(axis=0), targets.mean(axis=0)
    known -= centre
    gram = known.T @ known + shrinking_factor * np.eye(known.shape[1])
    return Ridge(mean, scale, centre, np.linalg.solve(gram, known.T @ (targets - middle)), middle)


def alike(inputs: Array, mean: Array, scale: Array) -> Array:
    """Return inputs in standard deviations from their means."""
    return np.clip((inputs - mean) / scale, -_CLIP_SD, _CLIP_SD)
