"""Calibrating humidity sensors over saturated salts, and temperature probes in melting ice.

Over a slurry of salt in its own saturated solution, in a closed box, the air has one humidity, known within
a few tenths of a per cent: L. Greenspan, "Humidity fixed points of binary saturated aqueous solutions",
J. Res. Natl. Bur. Stand. 81A (1977) 89, read in a retyped copy. Crushed ice that melts in its own water
stands at 0 °C.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from forecast.air import saturation_pressure_pa

Amount = float
"""A number in the unit of the quantity at hand: %, or °C (differences: K)."""

TABLE_C = (15.0, 20.0, 25.0, 30.0)
ICE_C = 0.0
ICE_UNCERTAINTY_K = 0.1  # crushed ice in tap water, stirred: common practice, no source
BOX_DIFFERENCE_K = 0.1  # between sensor and slurry after an hour in a closed box: assumed, no source
_UNKNOWN_PCT = 0.5  # where our copy of the table gives no figure; assumed, wider than any it gives
_STEEPEST, _FLATTEST = 1.25, 0.8
_FURTHEST_OFF = {"%": 15.0, "°C": 5.0}
_RIGHT_PCT, _LOW_PCT = 2.0, -3.0
_DRY_POINT_PCT, _WET_POINT_PCT = 50.0, 60.0
_SETTLE_S = {"%": 1200.0, "°C": 600.0}
_DRIFT_PER_H = {"%": 0.6, "°C": 0.3}
_SPREAD = {"%": 0.6, "°C": 0.2}
_LEAST_READINGS = 5
_MOST_OF = 0.7
_US_PER_S = 1e6


@dataclass(frozen=True, slots=True)
class Salt:
    """A salt: its name in words, and by `TABLE_C` the humidity over it and how sure that is [%]."""

    words: str
    humidity_pct: tuple[float, ...]
    uncertainty_pct: tuple[float, ...] = (_UNKNOWN_PCT,) * len(TABLE_C)


SALTS: Mapping[str, Salt] = MappingProxyType(
    {
        "licl": Salt("lithium chloride", (11.31, 11.31, 11.30, 11.29)),
        "mgcl2": Salt("magnesium chloride", (33.30, 33.07, 32.78, 32.44), (0.21, 0.18, 0.16, 0.14)),
        "k2co3": Salt("potassium carbonate", (43.15, 43.16, 43.17, 43.18)),
        "nacl": Salt("table salt without additives", (75.61, 75.47, 75.29, 75.09), (0.18, 0.14, 0.12, 0.11)),
        "kcl": Salt("potassium chloride", (85.92, 85.11, 84.35, 83.63)),
        "k2so4": Salt("potassium sulphate", (97.89, 97.60, 97.30, 97.01)),
    }
)


@dataclass(frozen=True, slots=True)
class Point:
    """One fixed point: what is `true` there, what the sensor `measured`, and ± of the comparison."""

    true: Amount
    measured: Amount
    unsure: Amount


@dataclass(frozen=True, slots=True)
class Fit:
    """What makes the sensor true: ``gain * measured + offset``. `unsure` is ± where it matters most."""

    gain: float
    offset: Amount
    unsure: Amount


@dataclass(frozen=True, slots=True)
class Settling:
    """How a sensor comes to rest: mean, spread and drift over the last stretch, and whether it has."""

    mean: Amount
    spread: Amount
    drift_per_h: float
    is_settled: bool


def salt_humidity_pct(salt: str, temp_c: float) -> float:
    """Return the relative humidity [%] over a saturated salt.

    Parameters
    ----------
    salt : str
        A key of `SALTS`.
    temp_c : float
        Temperature of the slurry [°C], 15 to 30: what our copy of the table holds.

    Raises
    ------
    ValueError
        Outside 15 to 30 °C, or for a salt that is not in the table.

    >>> round(salt_humidity_pct("nacl", 20.0), 2), round(salt_humidity_pct("mgcl2", 22.5), 3)
    (75.47, 32.925)
    """
    return _at(_salt(salt).humidity_pct, temp_c)


def salt_uncertainty_pct(salt: str, temp_c: float) -> float:
    """Return how sure the humidity in the box is [± %]: the table, and a box not quite even in temperature.

    Where sensor and slurry differ by 0.1 K the sensor sees another humidity, by the slope of the saturation
    pressure: about 0.6 % of the value.

    >>> round(salt_uncertainty_pct("nacl", 20.0), 2)
    0.49
    """
    slope_per_k = math.log(saturation_pressure_pa(temp_c + 0.5) / saturation_pressure_pa(temp_c - 0.5))
    box_pct = salt_humidity_pct(salt, temp_c) * slope_per_k * BOX_DIFFERENCE_K
    return math.hypot(_at(_salt(salt).uncertainty_pct, temp_c), box_pct)


def fit(points: Sequence[Point], span: tuple[Amount, Amount]) -> Fit:
    """Return gain and offset from one point (offset alone) or two, and the worst ± over a span of values.

    Between two points the uncertainty is shared out by distance; beyond them it grows.

    Raises
    ------
    ValueError
        For other than one or two points, or where gain or offset are no sensor's: points mistaken.

    >>> fit([Point(33.0, 35.0, 0.3), Point(75.5, 74.0, 0.5)], (40.0, 90.0)).gain.__round__(3)
    1.09
    """
    if len(points) == 1:
        (only,) = points
        return Fit(1.0, only.true - only.measured, only.unsure)
    if len(points) != 2:  # noqa: PLR2004  a line takes two
        raise ValueError(f"a sensor is calibrated at one point or two, not {len(points)}")
    low, high = sorted(points, key=lambda point: point.true)
    if not high.measured > low.measured:
        raise ValueError("it does not read more where there is more: the two points may be exchanged")
    gain = (high.true - low.true) / (high.measured - low.measured)
    if not _FLATTEST <= gain <= _STEEPEST:
        raise ValueError(
            f"the gain would be {gain:.2f}, which no sound sensor needs: the salts may be exchanged, too dry "
            "or not yet at rest"
        )
    unsure = max(_unsure_at(value, low, high) for value in span)
    return Fit(gain, low.true - gain * low.measured, unsure)


def is_too_far(unit: str, point: Point) -> bool:
    """Say whether a sensor is so far off at a point that the point, or the sensor, is to blame."""
    return abs(point.measured - point.true) > _FURTHEST_OFF[unit]


def looks_like_solvent(points: Sequence[Point]) -> bool:
    """Say whether a humidity sensor has lost at the wet end what it kept at the dry one.

    Solvent vapour that has crept into the polymer takes the place of water: such a sensor reads low
    when it is wet. The bounds (right within 2 % where dry, more than 3 % low where wet) are common
    practice, no source.

    >>> looks_like_solvent([Point(33.0, 32.5, 0.3), Point(75.5, 70.0, 0.5)])
    True
    """
    dry = [p.measured - p.true for p in points if p.true < _DRY_POINT_PCT]
    wet = [p.measured - p.true for p in points if p.true > _WET_POINT_PCT]
    return bool(dry and wet) and all(abs(d) <= _RIGHT_PCT for d in dry) and all(w < _LOW_PCT for w in wet)


def settling(times_us: npt.NDArray[np.int64], values: npt.NDArray[np.float64], unit: str) -> Settling | None:
    """Return how a sensor has come to rest by its last reading; None with too few of them.

    Humidity is looked at over the last 20 min and has settled when it drifts by under 0.6 % an hour within
    0.6 %; temperature over 10 min, 0.3 K an hour, 0.2 K: common practice, no source.

    Parameters
    ----------
    times_us : (n,) int64
        Rising times [microseconds since 1970 UTC].
    values : (n,) float64
        Readings, in `unit`.
    unit : str
        ``%`` or ``°C``.
    """
    if not len(times_us):
        return None
    late = times_us > times_us[-1] - _SETTLE_S[unit] * _US_PER_S
    at_s, kept = (times_us[late] - times_us[-1]) / _US_PER_S, values[late]
    if len(kept) < _LEAST_READINGS:
        return None
    drift_per_h = float(np.polyfit(at_s, kept, 1)[0]) * 3600.0
    spread = float(kept.max() - kept.min())
    enough = -float(at_s[0]) >= _MOST_OF * _SETTLE_S[unit]
    at_rest = abs(drift_per_h) <= _DRIFT_PER_H[unit] and spread <= _SPREAD[unit]
    return Settling(float(kept.mean()), spread, drift_per_h, enough and at_rest)


def _unsure_at(value: Amount, low: Point, high: Point) -> Amount:
    share = (value - low.true) / (high.true - low.true)
    return math.hypot((1.0 - share) * low.unsure, share * high.unsure)


def _salt(name: str) -> Salt:
    if name not in SALTS:
        raise ValueError(f"no salt is called {name!r}; there are {', '.join(SALTS)}")
    return SALTS[name]


def _at(column: Sequence[float], temp_c: float) -> float:
    if not TABLE_C[0] <= temp_c <= TABLE_C[-1]:
        raise ValueError(
            f"{temp_c:g} °C is outside {TABLE_C[0]:g} to {TABLE_C[-1]:g} °C; do it in a room of 20 °C or so"
        )
    return float(np.interp(temp_c, TABLE_C, column))
