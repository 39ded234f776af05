"""What each bay loses to the outdoors, and how much air leaks from it: from a shed that was learned. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecast.climate_water import leak_air_m3_s
from forecast.heater_shed import ReadyShed

CLEAR_SHARE = 0.2
"""A bay loses more than the next only from so much on: a fit under dripping skins errs by as much."""
LEAKS_PER_H = 0.5
"""A bay that changes its air less often leaks little, beside the skin of a tent: our choice."""


@dataclass(frozen=True, slots=True)
class BayLoss:
    """What a bay loses for each kelvin that it is warmer than the outdoors, and how often its air changes.

    `still_w_k` [W/K] is lost in still air and `wind_w_k` [W/K] added by the past's mean wind. `changes_per_h`
    [1/h] is how often leaks change all the air, `still_changes_per_h` [1/h] that without any wind; None where
    humidity was not measured: only water tells leaks from a thin skin.
    """

    bay: str
    still_w_k: float
    wind_w_k: float
    changes_per_h: float | None
    still_changes_per_h: float | None

    @property
    def loss_w_k(self) -> float:
        """All that is lost [W/K].

        >>> BayLoss("keel", 100.0, 12.0, None, None).loss_w_k
        112.0
        """
        return self.still_w_k + self.wind_w_k


def bay_losses(ready: ReadyShed) -> tuple[BayLoss, ...]:
    """Return what each bay of a learned shed loses, the most first.

    Bays are held for alike in size: one that is far larger loses more for that alone.
    """
    heat, water, past = ready.shed.heat, ready.shed.water, ready.past
    heard = past.wind_m_s[np.isfinite(past.wind_m_s)]
    wind_m_s = float(heard.mean()) if len(heard) else 0.0
    model = heat.model
    still = np.ravel(model.out_w_k + model.part_out_w_k)
    wind = np.ravel(model.wind_j_m_k * wind_m_s)
    changes, calm = (
        np.ravel(3600.0 * leak_air_m3_s(water.model, speed_m_s) / water.model.volume_m3)
        for speed_m_s in (wind_m_s, 0.0)
    )
    found = [
        BayLoss(
            past.bays[place],
            float(still[row]),
            float(wind[row]),
            float(changes[row]) if water.known else None,
            float(calm[row]) if water.known else None,
        )
        for row, place in enumerate(heat.order)
    ]
    return tuple(sorted(found, key=lambda one: -one.loss_w_k))


def loses_most(losses: Sequence[BayLoss]) -> BayLoss | None:
    """Return the bay that loses clearly most warmth (`CLEAR_SHARE`); None where none does.

    >>> keel, sheer = BayLoss("keel", 150.0, 0.0, None, None), BayLoss("sheer", 100.0, 0.0, None, None)
    >>> loses_most((sheer, keel)).bay
    'keel'
    """
    first, *rest = sorted(losses, key=lambda one: -one.loss_w_k)
    return first if not rest or first.loss_w_k >= (1.0 + CLEAR_SHARE) * rest[0].loss_w_k else None


def leaks_most(losses: Sequence[BayLoss]) -> BayLoss | None:
    """Return the bay whose air is changed clearly most often; None where none is, or none leaks much.

    >>> keel, sheer = BayLoss("keel", 150.0, 0.0, 1.1, 1.0), BayLoss("sheer", 100.0, 0.0, 2.4, 2.0)
    >>> leaks_most((keel, sheer)).bay
    'sheer'
    """

    def changes_per_h(one: BayLoss) -> float:
        return 0.0 if one.changes_per_h is None else one.changes_per_h

    first, *rest = sorted(losses, key=lambda one: -changes_per_h(one))
    if changes_per_h(first) < LEAKS_PER_H:
        return None
    return first if not rest or changes_per_h(first) >= (1.0 + CLEAR_SHARE) * changes_per_h(rest[0]) else None
