"""What was measured in a bay of late, thinned for a chart."""

from datetime import datetime

import numpy as np

from collector.domain import Flag
from collector.store.base import Samples, Store
from forecast.air import dew_point_c
from forecast.past import Array, Times
from forecast.recent_course import Recent

_DRIEST_PCT = 1.0  # below it a sensor is broken, and near 0 there is no dew point


def recent(store: Store, bay: str, start: datetime, end: datetime, most: int = 300) -> tuple[Recent, ...]:
    """Return the air, part, humidity and dew point measured in [start, end), suspect readings left out.

    Parameters
    ----------
    store : Store
        The readings.
    bay : str
        The bay.
    start, end : datetime
        The stretch, aware.
    most : int
        At most about so many points of each, evenly picked.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    found = {
        quantity: _sound(store.window(f"{bay}.{quantity}", start, end))
        for quantity in ("air_c", "part_c", "humidity_pct")
    }
    courses = {quantity: _thinned(*found[quantity], most) for quantity in found}
    air_us, air_c = found["air_c"]
    humid_us, humidity_pct = courses["humidity_pct"]
    damp = humidity_pct >= _DRIEST_PCT
    if air_us.size and damp.any():
        at_us = humid_us[damp]
        air_then_c = np.interp(at_us, air_us, air_c)
        courses["dew_point_c"] = at_us, dew_point_c(air_then_c, humidity_pct[damp])
    return tuple(
        Recent(quantity, tuple(times_us.tolist()), tuple(values.tolist()))
        for quantity, (times_us, values) in courses.items()
        if times_us.size
    )


def _sound(samples: Samples) -> tuple[Times, Array]:
    good = (samples.flags == Flag.NONE) & np.isfinite(samples.values)
    return samples.times_us[good], samples.values[good]


def _thinned(times_us: Times, values: Array, most: int) -> tuple[Times, Array]:
    step = max(1, -(-times_us.size // most))
    # counted from the newest, so that it is always among them
    return times_us[::-1][::step][::-1], values[::-1][::step][::-1]
