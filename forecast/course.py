"""The course of a part's temperature: what was measured, or many sample paths of what may come."""

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.rate import Floats, Rate, grid_cells

_BLOCK_STEPS = 144  # small enough for a processor's cache, and a cure that is done stops the sum
_FLAT_K = 1e-6  # below this the difference quotient would lose digits; the rate itself is right then


class Block(NamedTuple):
    """Some steps of a course, ready for any rate; the arrays are shared by all cures of a bay."""

    first: int
    cell: npt.NDArray[np.intp]
    part: Floats
    scale: Floats
    flat: tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]
    flat_h: Floats
    flat_c: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Temperatures over time, straight between samples; make one with `course`.

    `elapsed_h` (steps,) [h], rising; `temps_c` (paths, steps) [°C].
    """

    elapsed_h: Floats
    temps_c: Floats
    blocks: tuple[Block, ...] = field(repr=False)

    @property
    def start_h(self) -> float:
        """When it begins [h]."""
        return float(self.elapsed_h[0])

    @property
    def end_h(self) -> float:
        """When it ends [h]."""
        return float(self.elapsed_h[-1])

    def at_c(self, moment_h: npt.ArrayLike) -> Floats:
        """Return each path's temperature [°C] at one moment, or one moment per path [h].

        Raises
        ------
        ValueError
            If a moment is before the start or after the end.

        >>> course([0.0, 1.0], [20.0, 24.0]).at_c(0.25).tolist()
        [21.0]
        """
        moments = np.broadcast_to(np.asarray(moment_h, dtype=np.float64), self.temps_c.shape[:1])
        if not np.all((moments >= self.start_h) & (moments <= self.end_h)):
            raise ValueError(f"moments must lie within {self.start_h:g} to {self.end_h:g} h")
        left = self.segment(moments)
        rows = np.arange(self.temps_c.shape[0])
        before, after = self.temps_c[rows, left], self.temps_c[rows, left + 1]
        span_h = self.elapsed_h[left + 1] - self.elapsed_h[left]
        return np.asarray(before + (after - before) * ((moments - self.elapsed_h[left]) / span_h))

    def segment(self, moment_h: npt.ArrayLike) -> npt.NDArray[np.intp]:
        """Return the index of the sample before each moment [h] (the last step's for the end)."""
        left = np.searchsorted(self.elapsed_h, moment_h, side="right") - 1
        return np.asarray(np.clip(left, 0, self.elapsed_h.size - 2))


def course(elapsed_h: npt.ArrayLike, temps_c: npt.ArrayLike) -> Course:
    """Make a course from samples, or from sample paths that share their times.

    Parameters
    ----------
    elapsed_h : array_like, shape (steps,)
        Times [h] from any zero; two or more, each later than the one before.
    temps_c : array_like, shape (steps,) or (paths, steps)
        Temperatures [°C], -40 to 200.

    Raises
    ------
    ValueError
        If times do not rise, shapes do not fit or a temperature is out of range.

    >>> course([0.0, 1.0, 2.0], [20.0, 21.0, 20.5]).temps_c.shape
    (1, 3)
    """
    times = np.asarray(elapsed_h, dtype=np.float64)
    temps = np.atleast_2d(np.asarray(temps_c, dtype=np.float64))
    if times.ndim != 1 or times.size < 2 or temps.ndim != 2 or temps.shape[1] != times.size:  # noqa: PLR2004
        raise ValueError(f"{temps.shape} temperatures do not fit {times.shape} times; two or more are needed")
    if not np.all(np.diff(times) > 0.0) or not np.all(np.isfinite(times)):
        raise ValueError("the times of a course must rise")
    cell, part = grid_cells(temps)
    last = times.size - 1
    blocks = tuple(
        _block(first, times[first : stop + 1], temps[:, first : stop + 1], cell, part)
        for first, stop in ((i, min(i + _BLOCK_STEPS, last)) for i in range(0, last, _BLOCK_STEPS))
    )
    return Course(times, temps, blocks)


def _block(first: int, times: Floats, temps: Floats, cell: npt.NDArray[np.intp], part: Floats) -> Block:
    """Prepare some steps; contiguous copies, since every rate reads them again."""
    rise, span_h = np.diff(temps, axis=1), np.diff(times)
    is_flat = np.abs(rise) < _FLAT_K
    scale = np.divide(span_h, rise, out=np.zeros_like(rise), where=~is_flat)
    rows, columns = np.nonzero(is_flat)
    nodes = slice(first, first + times.size)
    return Block(
        first,
        np.ascontiguousarray(cell[:, nodes]),
        np.ascontiguousarray(part[:, nodes]),
        scale,
        (rows, columns),
        span_h[columns],
        temps[rows, columns],
    )


def block_sums(rate: Rate, block: Block) -> Floats:
    """Return the integral of `rate` over each step of a block, shape (paths, steps)."""
    integral = rate.integral(block.cell, block.part)
    sums = np.subtract(integral[:, 1:], integral[:, :-1])
    sums *= block.scale
    if block.flat_h.size:
        sums[block.flat] = rate.per_h(block.flat_c) * block.flat_h
    return sums


def span_sum(rate: Rate, from_c: Floats, to_c: Floats, span_h: npt.ArrayLike) -> Floats:
    """Return the integral of `rate` while temperatures run straight from one to the other."""
    rise = to_c - from_c
    is_flat = np.abs(rise) < _FLAT_K
    difference = rate.integral(*grid_cells(to_c)) - rate.integral(*grid_cells(from_c))
    mean = np.where(is_flat, rate.per_h(from_c), difference / np.where(is_flat, 1.0, rise))
    return np.asarray(mean * span_h)


def degree_hours(course: Course, base_c: float) -> Floats:
    """Return the degree-hours [°C·h] had by each sample: the integral of max(0, T - base).

    Nurse-Saul maturity (ASTM C1074), exact for a temperature straight between samples.

    Parameters
    ----------
    course : Course
        The course; sums begin at its first sample.
    base_c : float
        Temperature [°C] below which nothing is counted.

    Returns
    -------
    ndarray, shape (paths, steps)

    >>> degree_hours(course([0.0, 10.0], [15.0, 25.0]), 10.0).tolist()
    [[0.0, 100.0]]
    """
    over = np.maximum(course.temps_c - base_c, 0.0)
    rise = np.diff(course.temps_c, axis=1)
    is_flat = np.abs(rise) < _FLAT_K
    mean = np.where(is_flat, over[:, :-1], np.diff(over**2 / 2.0, axis=1) / np.where(is_flat, 1.0, rise))
    return _running(mean * np.diff(course.elapsed_h))


def hours_below(course: Course, limit_c: float) -> Floats:
    """Return how long [h] each path was below a temperature [°C], shape (paths,).

    >>> hours_below(course([0.0, 2.0, 3.0], [10.0, 20.0, 20.0]), 15.0).tolist()
    [1.0]
    """
    low = np.minimum(course.temps_c[:, :-1], course.temps_c[:, 1:])
    rise = np.abs(np.diff(course.temps_c, axis=1))
    is_flat = rise < _FLAT_K
    share = np.where(is_flat, low < limit_c, (limit_c - low) / np.where(is_flat, 1.0, rise))
    return np.asarray(np.clip(share, 0.0, 1.0) @ np.diff(course.elapsed_h))


def mean_c(course: Course, from_h: float, to_h: float) -> Floats:
    """Return each path's mean temperature [°C] over a stretch of the course [h].

    Raises
    ------
    ValueError
        If the stretch is empty or not within the course.

    >>> mean_c(course([0.0, 2.0], [10.0, 20.0]), 1.0, 2.0).tolist()
    [17.5]
    """
    if not course.start_h <= from_h < to_h <= course.end_h:
        raise ValueError(
            f"{from_h:g} to {to_h:g} h is no stretch of {course.start_h:g} to {course.end_h:g} h"
        )
    ends = _sums_at(course, _temperature_sums(course), np.array([from_h, to_h]))
    return np.asarray((ends[:, 1] - ends[:, 0]) / (to_h - from_h))


class Extremes(NamedTuple):
    """The coldest and the warmest stretch of each path: mean [°C] and when it began [h]."""

    coldest_c: Floats
    coldest_h: Floats
    hottest_c: Floats
    hottest_h: Floats


def extreme_hours(course: Course, span_h: float = 1.0) -> Extremes:
    """Return the coldest and the warmest `span_h` hours, as rolling means at the samples.

    Parameters
    ----------
    course : Course
        The course, at least `span_h` long.
    span_h : float
        Length of the stretch [h], above 0.

    Raises
    ------
    ValueError
        If the course is shorter than that.

    >>> extreme_hours(course([0.0, 1.0, 2.0, 3.0], [20.0, 20.0, 26.0, 24.0])).hottest_c.tolist()
    [25.0]
    """
    if not 0.0 < span_h <= course.end_h - course.start_h:
        raise ValueError(f"span_h must be above 0 and within the course's length, not {span_h}")
    times, temps = course.elapsed_h, course.temps_c
    sums = _temperature_sums(course)
    starts = np.union1d(times, times - span_h)
    starts = starts[(starts >= times[0]) & (starts <= times[-1] - span_h)]
    means = (_sums_at(course, sums, starts + span_h) - _sums_at(course, sums, starts)) / span_h
    rows = np.arange(temps.shape[0])
    told = means.round(6)  # of equal hours the first, not the one that rounding favours
    cold, hot = told.argmin(axis=1), told.argmax(axis=1)
    return Extremes(means[rows, cold], starts[cold], means[rows, hot], starts[hot])


def _temperature_sums(course: Course) -> Floats:
    """Sum temperature over time, from the first sample to each."""
    return _running((course.temps_c[:, 1:] + course.temps_c[:, :-1]) / 2.0 * np.diff(course.elapsed_h))


def _sums_at(course: Course, sums: Floats, moments: Floats) -> Floats:
    """Read the running integral of temperature between samples, where it is a parabola."""
    left = course.segment(moments)
    into_h = np.minimum(moments, course.end_h) - course.elapsed_h[left]
    slope = np.diff(course.temps_c, axis=1) / np.diff(course.elapsed_h)
    return np.asarray(sums[:, left] + into_h * (course.temps_c[:, left] + slope[:, left] * into_h / 2.0))


def _running(steps: Floats) -> Floats:
    """Sum along time, beginning with 0 at the first sample."""
    sums = np.zeros((steps.shape[0], steps.shape[1] + 1))
    np.cumsum(steps, axis=1, out=sums[:, 1:])
    return sums
