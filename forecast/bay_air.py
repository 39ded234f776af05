"""The paths of one bay, made ready once for any number of jobs; and where they break limits."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast.air import ice_saturation_pressure_pa, saturation_pressure_pa
from forecast.job import JobLimits
from forecast.limits import CODES, Limit
from forecast.rate import HIGHEST_C, LOWEST_C, Floats, grid_cells

Steps = npt.NDArray[np.int16]
Times = npt.NDArray[np.int64]
Truths = npt.NDArray[np.bool_]

_PCT = 100.0
_COLDEST_C, _HOTTEST_C = -90.0, 100.0  # beyond any shed, within the formulas
_WARM_ODDS = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class BayAir:
    """The paths of one bay: temperatures [°C], humidity [%] and vapour pressure [Pa], (paths, steps).

    `likely_c` and `warm_c` (steps,) [°C] are the part's median and 90 % quantile; `cell` and
    `part` place it on the grid of `forecast.rate`. Without humidity the last two are None.
    """

    times_us: Times
    air_c: Floats
    part_c: Floats
    likely_c: Floats
    warm_c: Floats
    cell: npt.NDArray[np.intp]
    part: Floats
    humidity_pct: Floats | None
    vapour_pa: Floats | None

    @property
    def steps(self) -> int:
        """How many steps the paths have."""
        return len(self.times_us)


def bay_air(paths: Mapping[tuple[str, str], Floats], times_us: Times, bay: str) -> BayAir | None:
    """Return a bay's paths; None where neither its air nor its part is forecast, or for under two steps.

    Air and part stand in for each other; humidity without the air it was measured in says nothing.
    """
    air = paths.get((bay, "air_c"), paths.get((bay, "part_c")))
    if air is None or len(times_us) < 2:  # noqa: PLR2004  a course has two ends
        return None
    part_c = np.clip(paths.get((bay, "part_c"), air), LOWEST_C, HIGHEST_C)
    humidity = paths.get((bay, "humidity_pct")) if (bay, "air_c") in paths else None
    vapour = None
    if humidity is not None:
        vapour = saturation_pressure_pa(np.clip(air, _COLDEST_C, _HOTTEST_C)) * (humidity / _PCT)
    ordered = np.sort(part_c, axis=0)
    likely, warm = ordered[len(ordered) // 2], ordered[int(_WARM_ODDS * (len(ordered) - 1))]
    return BayAir(times_us, air, part_c, likely, warm, *grid_cells(part_c), humidity, vapour)


def wettest_pa(surface_c: Floats) -> Floats:
    """Return the vapour pressure [Pa] at which water, below 0 °C frost, begins to settle on a surface.

    >>> wettest_pa(np.array([0.0])).round(0).tolist()
    [611.0]
    """
    surface = np.clip(surface_c, _COLDEST_C, _HOTTEST_C)
    found = saturation_pressure_pa(surface)
    cold = surface < 0.0
    if cold.any():
        found[cold] = ice_saturation_pressure_pa(surface[cold])
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Broken:
    """The next step, from each step on, at which a limit breaks (paths, steps + 1), and which.

    A step that never comes is the number of steps, and its code that of `Limit.HORIZON`.
    """

    warmth: Steps
    moisture: Steps
    code: npt.NDArray[np.int8]


def broken(air: BayAir, limits: JobLimits) -> Broken:
    """Return where the limits break on each path; of several at one step, moisture is named."""
    warm_code = np.zeros(air.part_c.shape, dtype=np.int8)
    for values, floor, ceiling, low, high in (
        (air.air_c, limits.air_min_c, limits.air_max_c, Limit.AIR_COLD, Limit.AIR_HOT),
        (air.part_c, limits.part_min_c, limits.part_max_c, Limit.PART_COLD, Limit.PART_HOT),
    ):
        if floor > -np.inf:
            warm_code[values < floor] = CODES[low]
        if ceiling < np.inf:
            warm_code[values > ceiling] = CODES[high]
    damp_code = np.zeros_like(warm_code)
    if air.humidity_pct is not None and air.vapour_pa is not None:
        if limits.humidity_max_pct < np.inf:
            damp_code[air.humidity_pct > limits.humidity_max_pct] = CODES[Limit.HUMIDITY]
        if limits.margin_min_k > -np.inf:
            # the margin holds where the surface, colder by it, would still stay dry
            wet = air.vapour_pa > wettest_pa(air.part_c - limits.margin_min_k)
            damp_code[wet] = CODES[Limit.MARGIN]
    code = np.full((len(warm_code), air.steps + 1), CODES[Limit.HORIZON], dtype=np.int8)
    code[:, :-1] = np.where(damp_code > 0, damp_code, warm_code)
    return Broken(next_step(warm_code > 0), next_step(damp_code > 0), code)


def next_step(found: Truths) -> Steps:
    """Return, for each step, the first step from it on that is true; the number of steps where none is.

    >>> next_step(np.array([[False, True, False]])).tolist()
    [[1, 1, 3, 3]]
    """
    count = found.shape[1]
    steps = np.full((len(found), count + 1), count, dtype=np.int16)
    steps[:, :count] = np.where(found, np.arange(count, dtype=np.int16), np.int16(count))
    return np.minimum.accumulate(steps[:, ::-1], axis=1)[:, ::-1]
