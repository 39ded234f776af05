"""A season in numbers: fuel against the cold, hours that the weather took, how the forecasts did. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast.air import margin_k
from forecast.outlook import Outlook
from forecast.verdict import Limits

Floats = npt.NDArray[np.float64]
_REFILL_KG = 0.5  # a scale that rises by more in an hour was refilled; less is its noise
_HOURS_PER_DAY = 24.0
SKILL_HOURS = (6, 12, 24)


@dataclass(frozen=True, slots=True)
class Heating:
    """Fuel burned [kg], `degree_days` [K·d] of warmth held above the outdoors, and `hours` [h] known."""

    burned_kg: float
    degree_days: float
    hours: float


@dataclass(frozen=True, slots=True)
class Skill:
    """The part's forecast some hours ahead: mean errors [K] of it and of "as now", share inside its band."""

    ahead_h: int
    count: int
    error_k: float
    as_now_error_k: float
    inside_share: float


def heating(gas_kg: Floats, indoor_c: Floats, outdoor_c: Floats) -> Heating:
    """Return what was burned and held, from hourly means, NaN where nothing was measured.

    A rise of the scale is a refill and not counted; an hour counts where all three are known in it and
    the scale also in the next.

    >>> heating(np.array([9.0, 8.5, 8.0]), np.full(3, 20.0), np.full(3, 8.0))
    Heating(burned_kg=1.0, degree_days=1.0, hours=2.0)
    """
    fall_kg = -np.diff(gas_kg)
    warmth_k = np.maximum(indoor_c - outdoor_c, 0.0)[:-1]
    known = np.isfinite(fall_kg) & np.isfinite(warmth_k)
    burned = np.where(known & (fall_kg > -_REFILL_KG), fall_kg, 0.0)
    return Heating(
        float(burned.sum()), float(warmth_k[known].sum() / _HOURS_PER_DAY), float(np.count_nonzero(known))
    )


def hours_lost(
    hourly: Mapping[str, Floats], working: npt.NDArray[np.bool_], limits: Limits
) -> dict[str, float]:
    """Return the working hours known, and of them those beyond each limit [h] and beyond any (``lost``).

    `hourly` has hourly means of ``air_c``, ``humidity_pct`` and ``part_c``, NaN where nothing was measured.
    """
    air, humidity, part = (hourly[name] for name in ("air_c", "humidity_pct", "part_c"))
    known = working & np.isfinite(air) & np.isfinite(humidity) & np.isfinite(part) & (humidity >= 1.0)
    margin = np.full(air.shape, np.nan)
    if known.any():
        margin[known] = margin_k(part[known], air[known], np.minimum(humidity[known], 100.0))
    beyond = {
        "too cold": (part < limits.part_min_c) | (air < limits.air_min_c),
        "too warm": (part > limits.part_max_c) | (air > limits.air_max_c),
        "too humid": humidity > limits.humidity_max_pct,
        "too near the dew point": margin < limits.margin_min_k,
    }
    lost = np.zeros(air.shape, dtype=bool)
    for one in beyond.values():
        lost |= one
    counts = {name: float(np.count_nonzero(one & known)) for name, one in beyond.items()}
    return {"known": float(np.count_nonzero(known)), "lost": float(np.count_nonzero(lost & known)), **counts}


def skill(outlooks: Sequence[Outlook], hourly_c: Mapping[str, Mapping[int, float]]) -> list[Skill]:
    """Return how kept forecasts of the part did against what was measured.

    `hourly_c` has the part's hourly means [°C] by bay, by the hour since 1970 UTC.
    """
    found = []
    for ahead_h in SKILL_HOURS:
        rows = []
        for outlook in outlooks:
            hour = int(outlook.issued_at.timestamp() // 3600) + ahead_h
            for bay in outlook.bays:
                band, then = bay.band("part_c"), hourly_c.get(bay.bay, {}).get(hour)
                if band is None or then is None or bay.now.part_c is None:
                    continue
                step = round(
                    (hour * 3600 + 1800 - band.start_at.timestamp()) / band.step_s
                )  # the hour's middle
                if 0 <= step < len(band.likely):
                    inside = band.low[step] <= then <= band.high[step]
                    rows.append((abs(band.likely[step] - then), abs(bay.now.part_c - then), float(inside)))
        if rows:
            error, as_now, inside_share = np.mean(np.array(rows), axis=0).tolist()
            found.append(Skill(ahead_h, len(rows), error, as_now, inside_share))
    return found
