"""What a cure has had and will get: stages through any course of temperature."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.course import Course, block_sums, span_sum
from forecast.rate import GRID_C, Floats, Rate, grid_cells

_NEWTON_STEPS = 3  # they leave under a second in a step of hours and tens of kelvin
_STEADY = 1e-6  # a rate growing by less within a step is constant
_TINY = 1e-30  # 1/h; stands in for a rate of nothing below a floor


class _Need(NamedTuple):
    """Which paths are still short of 1, and by how much."""

    rows: npt.NDArray[np.intp]
    amount: Floats


def progress(course: Course, rate: Rate, from_h: float | None = None) -> Floats:
    """Return how much is done by each sample: the integral of dt / t(T), done at 1.

    It runs on beyond 1, so that it also tells equivalent hours.

    Parameters
    ----------
    course : Course
        The part's temperature.
    rate : Rate
        1 / t(T).
    from_h : float, optional
        When the cure began [h], within the course; its start if not given. Before it: 0.

    Returns
    -------
    ndarray, shape (paths, steps)

    Raises
    ------
    ValueError
        If `from_h` is outside the course.

    >>> from forecast.course import course
    >>> from forecast.rate import arrhenius_rate
    >>> progress(course([0.0, 2.0, 4.0], [23.0, 23.0, 23.0]), arrhenius_rate(5000.0, 23.0, 4.0)).tolist()
    [[0.0, 0.5, 1.0]]
    """
    begin_h = course.start_h if from_h is None else from_h
    done = np.zeros_like(course.temps_c)
    for first, sums in _steps_from(course, rate, begin_h):
        sums[:, 0] += done[:, first]
        np.cumsum(sums, axis=1, out=done[:, first + 1 : first + 1 + sums.shape[1]])
    return done


def reached_h(
    course: Course, rate: Rate, from_h: float | None = None, already: npt.ArrayLike = 0.0
) -> Floats:
    """Return when each path brings the sum to 1 [h on the course's clock]; NaN where it does not.

    Parameters
    ----------
    course : Course
        The part's temperature.
    rate : Rate
        1 / t(T).
    from_h : float, optional
        When counting begins [h], within the course; its start if not given.
    already : array_like, scalar or shape (paths,)
        What was done before `from_h`; where it is 1 or more the answer is `from_h`.

    Returns
    -------
    ndarray, shape (paths,)

    Raises
    ------
    ValueError
        If `from_h` is outside the course or `already` is negative or not a number.

    >>> from forecast.course import course
    >>> from forecast.rate import arrhenius_rate
    >>> reached_h(course([0.0, 24.0], [23.0, 23.0]), arrhenius_rate(5000.0, 23.0, 6.0)).round(6).tolist()
    [6.0]
    """
    begin_h = course.start_h if from_h is None else from_h
    had = np.broadcast_to(np.asarray(already, dtype=np.float64), course.temps_c.shape[:1]).copy()
    if not np.all(had >= 0.0):
        raise ValueError("what is already done must be 0 or more")
    found = np.where(had >= 1.0, begin_h, np.nan)
    open_rows = np.flatnonzero(had < 1.0)
    for first, sums in _steps_from(course, rate, begin_h):
        totals = sums.sum(axis=1) + had
        rows = open_rows[totals[open_rows] >= 1.0]
        if rows.size:
            found[rows] = _crossing_h(course, rate, (first, begin_h), sums, _Need(rows, 1.0 - had[rows]))
            open_rows = np.flatnonzero(np.isnan(found))
        if not open_rows.size:
            break
        had = totals
    return found


def _steps_from(course: Course, rate: Rate, begin_h: float) -> Iterator[tuple[int, Floats]]:
    """Yield (first step, integral of each step) block by block; nothing is counted before `begin_h`."""
    if not course.start_h <= begin_h <= course.end_h:
        raise ValueError(f"from_h must lie within {course.start_h:g} to {course.end_h:g} h, not {begin_h:g}")
    left = int(course.segment(begin_h))
    for block in course.blocks:
        skip = left - block.first
        if skip >= block.scale.shape[1]:
            continue
        sums = block_sums(rate, block)
        if skip >= 0:
            end_h = float(course.elapsed_h[left + 1])
            sums[:, :skip] = 0.0
            sums[:, skip] = span_sum(rate, course.at_c(begin_h), course.temps_c[:, left + 1], end_h - begin_h)
        yield block.first, sums


def _crossing_h(course: Course, rate: Rate, spot: tuple[int, float], sums: Floats, need: _Need) -> Floats:
    """Find the moment inside the step that brings each of some paths to what it needs."""
    first, begin_h = spot
    sums = sums[need.rows]
    sofar = np.cumsum(sums, axis=1)
    # cumsum and sum round differently: the last step stands in where only the sum got there
    step = np.minimum((sofar < need.amount[:, None]).sum(axis=1), sums.shape[1] - 1)
    at = np.arange(need.rows.size)
    rest = np.clip(need.amount - (sofar[at, step] - sums[at, step]), 0.0, sums[at, step])
    left = first + step
    node_h, end_h = course.elapsed_h[left], course.elapsed_h[left + 1]
    start_h = np.maximum(node_h, begin_h)
    node_c, end_c = course.temps_c[need.rows, left], course.temps_c[need.rows, left + 1]
    start_c = node_c + (end_c - node_c) * ((start_h - node_h) / (end_h - node_h))
    share = _share_of_step(rate, start_c, end_c, rest / sums[at, step])
    return np.asarray(start_h + share * (end_h - start_h))


def _share_of_step(rate: Rate, start_c: Floats, end_c: Floats, wanted: Floats) -> Floats:
    """Find the share of a step that gives the `wanted` share of its sum.

    By Newton, from where it would be if the rate grew by a constant ratio; near that already.
    """
    at_start, at_end = grid_cells(start_c), grid_cells(end_c)
    growth = np.log(np.maximum(rate.per_h_in(*at_end), _TINY) / np.maximum(rate.per_h_in(*at_start), _TINY))
    steady = np.abs(growth) < _STEADY
    growth = np.where(steady, 1.0, growth)
    share = np.where(steady, wanted, np.log1p(wanted * np.expm1(growth)) / growth)
    rise = np.where(steady, 1.0, end_c - start_c)
    before = rate.integral(*at_start)
    target = before + wanted * (rate.integral(*at_end) - before)
    for _ in range(_NEWTON_STEPS):
        here = grid_cells(start_c + (end_c - start_c) * share)
        slope = rate.per_h_in(*here) * rise
        miss = np.where(steady, 0.0, rate.integral(*here) - target)
        step = np.divide(miss, slope, out=np.zeros_like(miss), where=np.abs(slope) > _TINY)
        share = np.clip(share - step, 0.0, 1.0)
    return share


def hours_needed(done: npt.ArrayLike, rate: Rate, temp_c: npt.ArrayLike) -> Floats:
    """Return how many more hours at a temperature bring it to 1; 0 if it is there, infinite if never.

    Parameters
    ----------
    done : array_like
        Progress so far, 0 or more.
    rate : Rate
        1 / t(T).
    temp_c : array_like
        The temperature to hold [°C], -40 to 200.

    >>> from forecast.rate import arrhenius_rate
    >>> float(hours_needed(0.25, arrhenius_rate(5000.0, 23.0, 8.0), 23.0).round(6))
    6.0
    """
    left = np.maximum(1.0 - np.asarray(done, dtype=np.float64), 0.0)
    hours = rate.hours(temp_c)
    return np.multiply(left, hours, out=np.zeros(np.broadcast(left, hours).shape), where=left > 0.0)


def steady_c(rate: Rate, mean_per_h: float) -> float:
    """Return the constant temperature [°C] that would have done as much: where the rate is its mean.

    Parameters
    ----------
    rate : Rate
        1 / t(T), rising with temperature.
    mean_per_h : float
        The mean rate had [1/h], above 0.

    Raises
    ------
    ValueError
        If no temperature from -40 to 200 °C has that rate.

    >>> from forecast.rate import arrhenius_rate
    >>> round(steady_c(arrhenius_rate(5000.0, 23.0, 4.0), 0.25), 6)
    23.0
    """
    rates = rate.per_h(GRID_C)
    if not rates[0] < mean_per_h <= rates[-1]:
        raise ValueError(f"no temperature from -40 to 200 °C gives {mean_per_h:g} 1/h")
    return float(np.interp(mean_per_h, rates, GRID_C))
