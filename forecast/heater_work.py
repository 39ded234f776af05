"""Work time of a batch mixed at some moment of a course of temperature."""

from dataclasses import dataclass

import numpy as np

from forecast.card import Card
from forecast.climate_past import Array, Times
from forecast.mix import card_reaction
from forecast.pot import work_times
from forecast.time_surface import TimeSurface

TEMPS_C: Array = np.arange(-10.0, 60.01, 0.1)
BATCH_G = 500.0
"""A batch as it is carried to the part in a roller tray: common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class BatchPace:
    """How fast one batch goes off in its tray: minutes it lasts at each of `TEMPS_C`, if that stays.

    Its own warmth is counted as the same share at every temperature, that of `plan_c`.
    """

    card: str
    catalyst_pct: float
    plan_c: float
    lasts_min: Array

    def at_min(self, temp_c: float) -> float:
        """Return how long it lasts at a constant temperature [min], -10 to 60 °C."""
        return float(np.interp(temp_c, TEMPS_C, self.lasts_min))

    @property
    def plan_min(self) -> float:
        """How long it lasts at the temperature planned for."""
        return self.at_min(self.plan_c)


def batch_pace(
    card: Card, surface: TimeSurface, catalyst_pct: float, plan_c: float, batch_g: float = BATCH_G
) -> BatchPace:
    """Return a batch's pace in its tray.

    Parameters
    ----------
    card, surface : Card, TimeSurface
        The resin, and its gel surface with what was learned of the lot.
    catalyst_pct : float
        Hardener [%], 0.05 to 200.
    plan_c : float
        Temperature planned for [°C], -10 to 60.
    batch_g : float, optional
        Mass of the batch [g], above 0 to 50,000.

    Raises
    ------
    ValueError
        If a value is outside its range.
    """
    times = work_times(card_reaction(card, surface, catalyst_pct), batch_g, plan_c, plan_c)
    warmth = times.tray_min / times.film_min if np.isfinite(times.tray_min) else 1.0
    lasts_min = surface.minutes(TEMPS_C, catalyst_pct).likely_min * warmth
    return BatchPace(card.key, catalyst_pct, plan_c, np.asarray(lasts_min, dtype=np.float64))


def work_min(pace: BatchPace, air_c: Array, step_s: float, starts: Times) -> Array:
    """Return how long a batch lasts that is mixed at some steps of many courses [min], (paths, starts).

    A course that ends before the batch does goes on at its last temperature.

    Parameters
    ----------
    pace : BatchPace
    air_c : array
        Temperature at the end of each step, (paths, steps).
    step_s : float
        Length of a step [s].
    starts : array of int
        Steps at whose end it is mixed.
    """
    per_min = 1.0 / np.interp(air_c, TEMPS_C, pace.lasts_min)
    step_min = step_s / 60.0
    done = np.concatenate([np.zeros((len(air_c), 1)), np.cumsum(per_min[:, 1:] * step_min, axis=1)], axis=1)
    found = np.empty((len(air_c), len(starts)))
    for path in range(len(air_c)):
        wanted = done[path, starts] + 1.0
        ends = np.interp(wanted, done[path], np.arange(done.shape[1]) * step_min)
        beyond = np.maximum(wanted - done[path, -1], 0.0) / per_min[path, -1]
        found[path] = ends + beyond - starts * step_min
    return found
