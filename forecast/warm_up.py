"""When a part is warm enough to glass, face and heart, and whether warm damp air wets it on the way."""

from datetime import datetime, timedelta

import numpy as np

from forecast.air import margin_k
from forecast.climate_past import Array
from forecast.climate_run import Course
from forecast.heater_state import WarmUp

_LAMINATE_M2_S = 2.1e-7
"""Laminate: 0.4 W/(m K) over 1,900 kg/m³ and 1,000 J/(kg K) (handbook values, from memory)."""
_EARLY, _LATE = 0.1, 0.9
_STAYS_MIN = 20


def behind_k(thickness_mm: float, rise_k_h: float) -> float:
    """Return how far the heart of a skin stays behind its face while that warms steadily [K].

    The back is taken as not heated: rise · d² / (2 · diffusivity), Carslaw and Jaeger 1959, section 3.8.

    Parameters
    ----------
    thickness_mm : float
        Of laminate and mould skin together [mm], 0 to 200.
    rise_k_h : float
        How fast the face warms [K/h]; a face that cools gives 0.

    Raises
    ------
    ValueError
        If the thickness is outside its range.

    >>> round(behind_k(10.0, 3.0), 2)
    0.2
    """
    if not 0.0 <= thickness_mm <= 200.0:  # noqa: PLR2004  thicker is a block
        raise ValueError(f"thickness_mm must be from 0 to 200, not {thickness_mm}")
    return max(0.0, rise_k_h) / 3600.0 * (thickness_mm / 1000.0) ** 2 / (2.0 * _LAMINATE_M2_S)


def warm_up(
    course: Course,
    place: int,
    target_c: float,
    at: datetime,
    *,
    thickness_mm: float,
    setpoint_c: float | None,
) -> WarmUp:
    """Return when the part in bay `place` is at `target_c` and stays there for twenty minutes.

    Parameters
    ----------
    course : Course
        Paths from `at` on.
    place : int
        The bay, in the past's order.
    target_c : float
        What the resin wants of the part [°C].
    at : datetime
        When the course begins.
    thickness_mm : float
        Of laminate and mould skin [mm], 0 to 200.
    setpoint_c : float or None
        The setting it is worked out for.
    """
    part = course.part_c[place]
    minute = 60.0 / course.step_s
    reached = _reached(part, target_c, max(1, round(_STAYS_MIN * minute)))
    ready_at, ready_from_at, ready_to_at = (
        _moment(at, float(np.quantile(reached, odds, method="nearest")), course.step_s, part.shape[1])
        for odds in (0.5, _EARLY, _LATE)
    )
    usual = np.median(part, axis=0)
    step = int(min(np.median(reached), part.shape[1] - 1))
    back = max(0, step - round(30 * minute))
    rise_k_h = float(usual[step] - usual[back]) / max(1e-9, (step - back) * course.step_s / 3600.0)
    until = max(step, 1)
    margin = margin_k(
        part[:, :until],
        course.air_c[place][:, :until],
        np.clip(course.humidity_pct[place][:, :until], 0.1, 100.0),
    )
    least = margin.min(axis=1)
    return WarmUp(
        target_c=target_c,
        setpoint_c=setpoint_c,
        ready_at=ready_at,
        ready_from_at=ready_from_at,
        ready_to_at=ready_to_at,
        behind_k=behind_k(thickness_mm, rise_k_h),
        dew_odds=float(np.mean(least <= 0.0)),
        least_margin_k=float(np.median(least)),
    )


def _reached(part_c: Array, target_c: float, stays: int) -> Array:
    """Return the step from which each path stays at the target, infinite where it never does."""
    warm = part_c >= target_c
    since = np.cumsum(warm, axis=1)
    held = (
        since[:, stays - 1 :] - np.concatenate([np.zeros((len(warm), 1)), since[:, :-stays]], axis=1) == stays
    )
    return np.where(held.any(axis=1), np.argmax(held, axis=1).astype(np.float64), np.inf)


def _moment(at: datetime, step: float, step_s: float, steps: int) -> datetime | None:
    return at + timedelta(seconds=step * step_s) if step < steps else None
