"""An invented shed whose pipe gives more or less: the colder below its setting, the warmer the pipe."""

from datetime import UTC, datetime

import numpy as np

from forecast.climate_past import Array, ClimatePast

STEP_S = 300
DAY = 288
END = datetime(2026, 4, 20, 6, 0, tzinfo=UTC)
"""An hour before the programme goes up."""


def programme_c(hours: Array) -> Array:
    """Return what the pipe is set to: 18 °C from seven to seventeen o'clock UTC, else 10 °C."""
    found: Array = np.where((hours % 24 >= 7) & (hours % 24 < 17), 18.0, 10.0)
    return found


def pipe_past(days: float, seed: int = 0, end: datetime = END) -> ClimatePast:
    """Return a past on steps of five minutes up to `end`: one bay, its outdoors, its pipe and setting."""
    random, count = np.random.default_rng(seed), round(days * DAY)
    times_us = round(end.timestamp()) * 1_000_000 - STEP_S * 1_000_000 * np.arange(count - 1, -1, -1)
    hours = times_us / 3.6e9
    setpoint = programme_c(hours)
    wander = np.cumsum(random.normal(0.0, 0.1, count))
    outside = 5.0 + 3.0 * np.sin(2 * np.pi * (hours - 9.0) / 24.0) + wander - wander.mean()
    air, pipe = np.empty(count), np.empty(count)
    warm, water = 10.0, 20.0
    for step in range(count):
        water += 0.4 * (np.clip(warm + 12.0 * (setpoint[step] - warm), 15.0, 70.0) - water)
        warm += 0.03 * (outside[step] - warm) + 0.02 * max(0.0, water - warm)
        air[step], pipe[step] = warm, water
    air = air + random.normal(0.0, 0.05, count)
    nothing = np.full((1, count), np.nan)
    return ClimatePast(
        STEP_S, times_us, ("keel",), air[None], nothing, np.full((1, count), 60.0), outside,
        np.full(count, 80.0), np.zeros(count), np.full(count, 3.0), nothing[0], setpoint, pipe,
    )  # fmt: skip
