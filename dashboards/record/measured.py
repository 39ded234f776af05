"""What was measured while a part cured, summed up: lowest, mean, highest, hours beyond limits, gaps."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from collector.domain import Flag
from collector.store.base import Samples
from forecast.air import dew_point_c, margin_k
from forecast.card import Application
from forecast.history import HOLE_H

Floats = npt.NDArray[np.float64]
_US_PER_H = 3.6e9
_DRIEST_PCT = 1.0  # below it a sensor is broken, and near 0 there is no dew point


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Sound readings: `elapsed_h` (n,) [h] after the start, `values` (n,) in the quantity's unit."""

    quantity: str
    elapsed_h: Floats
    values: Floats


@dataclass(frozen=True, slots=True)
class Summary:
    """A course in numbers, in the quantity's unit, each weighed by the time it stood for.

    `below_h` and `above_h` [h] are the hours beyond the limits, None where there is none; `gap_h` [h] are
    those without a sound reading, in holes of more than an hour, `gaps` how many holes.
    """

    quantity: str
    lowest: float
    mean: float
    highest: float
    floor: float | None
    ceiling: float | None
    below_h: float | None
    above_h: float | None
    gaps: int
    gap_h: float


def courses(samples: Mapping[str, Samples], start_us: int) -> tuple[Course, ...]:
    """Return part, air, humidity, dew point and margin as measured; without suspect readings."""
    sound = {name: _sound(name, found, start_us) for name, found in samples.items()}
    found = [sound[name] for name in ("part_c", "air_c", "humidity_pct") if sound[name].values.size]
    air, humidity, part = sound["air_c"], sound["humidity_pct"], sound["part_c"]
    if air.values.size and humidity.values.size:
        times = humidity.elapsed_h
        air_c = np.interp(times, air.elapsed_h, air.values)
        found.append(Course("dew_point_c", times, np.asarray(dew_point_c(air_c, humidity.values))))
        if part.values.size:
            part_c = np.interp(times, part.elapsed_h, part.values)
            found.append(Course("margin_k", times, np.asarray(margin_k(part_c, air_c, humidity.values))))
    return tuple(found)


def _sound(name: str, samples: Samples, start_us: int) -> Course:
    good = (samples.flags == Flag.NONE) & np.isfinite(samples.values)
    if name == "humidity_pct":
        good &= (samples.values >= _DRIEST_PCT) & (samples.values <= 100.0)  # noqa: PLR2004  saturated
    return Course(name, (samples.times_us[good] - start_us) / _US_PER_H, samples.values[good])


def summary(course: Course, limits: Application, end_h: float) -> Summary:
    """Return a course in numbers against a card's limits, from hour 0 to `end_h`."""
    floor, ceiling = limits_of(course.quantity, limits)
    steps_h, values = _steps(course, end_h)
    total_h = float(steps_h.sum())
    mean = float(values @ steps_h / total_h) if total_h > 0.0 else float(course.values.mean())
    holes = _holes(course, end_h)
    return Summary(
        quantity=course.quantity,
        lowest=float(course.values.min()),
        mean=mean,
        highest=float(course.values.max()),
        floor=floor,
        ceiling=ceiling,
        below_h=None if floor is None else float(steps_h[values < floor].sum()),
        above_h=None if ceiling is None else float(steps_h[values > ceiling].sum()),
        gaps=len(holes),
        gap_h=sum(stop - begin for begin, stop in holes),
    )


def limits_of(quantity: str, limits: Application) -> tuple[float | None, float | None]:
    """Return a card's floor and ceiling of a quantity, None where it has none."""
    if quantity in {"air_c", "part_c"}:
        return limits.temp_min_c, limits.temp_max_c
    if quantity == "humidity_pct":
        return None, limits.humidity_max_pct
    return (limits.margin_min_k, None) if quantity == "margin_k" else (None, None)


def _steps(course: Course, end_h: float) -> tuple[Floats, Floats]:
    """Return for how long each value stood [h]: until the next reading, but never over a hole."""
    inside = (course.elapsed_h >= 0.0) & (course.elapsed_h <= end_h)
    times, values = course.elapsed_h[inside], course.values[inside]
    until = np.append(times[1:], end_h)
    steps_h = until - times
    return np.where(steps_h <= HOLE_H, steps_h, 0.0), values


def _holes(course: Course, end_h: float) -> list[tuple[float, float]]:
    inside = course.elapsed_h[(course.elapsed_h >= 0.0) & (course.elapsed_h <= end_h)]
    bounds = np.concatenate(([0.0], inside, [end_h]))
    wide = np.flatnonzero(np.diff(bounds) > HOLE_H)
    return [(float(bounds[i]), float(bounds[i + 1])) for i in wide]


def pieces(course: Course, most: int = 240) -> tuple[tuple[tuple[float, float], ...], ...]:
    """Return a course for a chart, thinned to about `most` points and cut where there is a hole."""
    every = max(1, -(-course.values.size // most))
    cut = [0, *(np.flatnonzero(np.diff(course.elapsed_h) > HOLE_H) + 1).tolist(), course.values.size]
    found = []
    for first, stop in pairwise(cut):
        picked = sorted({*range(first, stop, every), stop - 1})
        found.append(
            tuple((float(course.elapsed_h[i]), float(course.values[i])) for i in picked if i >= first)
        )
    return tuple(piece for piece in found if piece)


def doubts(samples: Samples) -> tuple[tuple[Flag, int], ...]:
    """Return how many readings carry each flag."""
    counts = ((flag, int(np.count_nonzero(samples.flags & int(flag)))) for flag in Flag if flag)
    return tuple((flag, count) for flag, count in counts if count)
