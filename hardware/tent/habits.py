"""What happens by itself: doors on working days, nodes that drop out. By seed and day alone."""

import math
from functools import lru_cache

import numpy as np

from hardware.tent.parameters import Habits
from hardware.tent.weather import DAY_S

_THURSDAY = 3  # 1970-01-01 was one, counting from Monday
_SUNDAY = 6
_DOORS, _DROPOUTS = 101, 102


def is_workday(local_day: int) -> bool:
    """Tell whether people work on this day (local days since 1970): all but Sundays.

    >>> is_workday(0)
    True
    """
    return (local_day + _THURSDAY) % 7 != _SUNDAY


def is_work_hour(habits: Habits, local_s: float) -> bool:
    """Tell whether people are in the shed at this local time (seconds since 1970)."""
    day, into_s = divmod(local_s, DAY_S)
    return is_workday(int(day)) and habits.work_start_h <= into_s / 3600.0 < habits.work_end_h


@lru_cache(maxsize=64)
def door_spans_s(habits: Habits, seed: int, local_day: int) -> tuple[tuple[float, float], ...]:
    """Return when the door stands open on a day: start and end in local seconds since 1970."""
    if not is_workday(local_day):
        return ()
    rng = np.random.default_rng([seed, _DOORS, local_day])
    number = int(rng.poisson(habits.doors_per_day))
    begin_s = local_day * DAY_S + rng.uniform(habits.work_start_h, habits.work_end_h, number) * 3600.0
    lasts_s = np.minimum(rng.exponential(habits.door_open_s, number), 900.0)
    return tuple(zip(begin_s.tolist(), (begin_s + lasts_s).tolist(), strict=True))


@lru_cache(maxsize=256)
def dropout_spans_s(per_day: float, seed: int, node: int, day: int) -> tuple[tuple[float, float], ...]:
    """Return when a node measures nothing, for dropouts that begin on a UTC day: 5 min to 3 h."""
    rng = np.random.default_rng([seed, _DROPOUTS, node, day])
    number = int(rng.poisson(per_day))
    begin_s = day * DAY_S + rng.uniform(0.0, DAY_S, number)
    lasts_s = np.exp(rng.uniform(math.log(300.0), math.log(10_800.0), number))
    return tuple(zip(begin_s.tolist(), (begin_s + lasts_s).tolist(), strict=True))


def inside(spans_s: tuple[tuple[float, float], ...], t_s: float) -> bool:
    """Tell whether a moment lies in one of the spans.

    >>> inside(((0.0, 5.0),), 5.0)
    False
    """
    return any(start_s <= t_s < end_s for start_s, end_s in spans_s)
