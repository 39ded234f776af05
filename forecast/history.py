"""A part's measured temperature as a course, honest about the holes in it.

Where readings are missing for longer than a limit, nobody knows how warm the part was. The
course then has three paths: one at the coldest and one at the warmest measured within a day of
the hole, and one straight across. What is summed along them is an interval, not a number.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.course import Course, course
from forecast.rate import Floats

COLD, LIKELY, WARM = 0, 1, 2
"""The paths of a history's course."""

HOLE_H = 1.0
"""A part, being heavy, hardly wanders within an hour; beyond it a hole is no longer bridged unsaid."""

_AROUND_H = 24.0  # a whole day round a hole holds the nights and noons like those within it
_EDGE_H = 1e-5  # a jump into a hole takes this long: times must rise


class Hole(NamedTuple):
    """A stretch without readings [h on the course's clock]."""

    start_h: float
    end_h: float


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """A measured stretch: its course of three paths (`COLD`, `LIKELY`, `WARM`) and its holes."""

    course: Course
    holes: tuple[Hole, ...]

    @property
    def gap_h(self) -> float:
        """The hours without readings, all holes together [h]."""
        return sum(hole.end_h - hole.start_h for hole in self.holes)

    @property
    def known_until_h(self) -> float:
        """When the last reading was, if the silence since is a hole; else the end [h]."""
        last = self.holes[-1] if self.holes else None
        return last.start_h if last and last.end_h >= self.course.end_h else self.course.end_h

    @property
    def silent_h(self) -> float:
        """For how long there has been no reading; 0 while the silence is too short to matter [h]."""
        return self.course.end_h - self.known_until_h


def history(
    elapsed_h: npt.ArrayLike, temps_c: npt.ArrayLike, span_h: tuple[float, float], hole_h: float = HOLE_H
) -> History:
    """Make the course of a stretch from readings in and around it.

    Parameters
    ----------
    elapsed_h : array_like, shape (readings,)
        Times of the readings [h], not falling; several at one time count once (the first).
    temps_c : array_like, shape (readings,)
        Temperatures [°C], -40 to 200. Leave suspect readings out.
    span_h : tuple of float
        Begin and end of the stretch [h], the end later.
    hole_h : float
        The longest silence [h] that is bridged by a straight line without saying so, above 0.

    Raises
    ------
    ValueError
        If there is no reading, times fall, or a value is out of range.

    >>> night = history([0.0, 1.0, 6.0, 7.0], [20.0, 18.0, 12.0, 14.0], (0.0, 7.0))
    >>> night.holes, night.course.temps_c.min(axis=1).tolist()
    ((Hole(start_h=1.0, end_h=6.0),), [12.0, 12.0, 12.0])
    """
    times, temps = _checked(elapsed_h, temps_c)
    begin_h, end_h = span_h
    if not begin_h < end_h or not hole_h > 0.0:
        raise ValueError(f"a stretch from {begin_h:g} to {end_h:g} h with holes over {hole_h:g} h cannot be")
    inside = times[(times > begin_h) & (times < end_h)]
    nodes = np.concatenate(([begin_h], inside, [end_h]))
    holes = _holes(times, (begin_h, end_h), hole_h)
    edges = [edge for hole in holes for edge in (*hole, hole.start_h + _EDGE_H, hole.end_h - _EDGE_H)]
    nodes = np.union1d(nodes, edges)
    likely = np.interp(nodes, times, temps)
    cold, warm = likely.copy(), likely.copy()
    for hole in holes:
        near = temps[(times >= hole.start_h - _AROUND_H) & (times <= hole.end_h + _AROUND_H)]
        # with nothing measured for a day around, all that was ever measured has to serve
        near = near if near.size else temps
        within = (nodes > hole.start_h) & (nodes < hole.end_h)
        cold[within] = np.minimum(near.min(), likely[within])
        warm[within] = np.maximum(near.max(), likely[within])
    return History(course(nodes, np.stack((cold, likely, warm))), holes)


def _checked(elapsed_h: npt.ArrayLike, temps_c: npt.ArrayLike) -> tuple[Floats, Floats]:
    times = np.asarray(elapsed_h, dtype=np.float64)
    temps = np.asarray(temps_c, dtype=np.float64)
    if times.ndim != 1 or times.shape != temps.shape or not times.size:
        raise ValueError(f"{temps.shape} temperatures do not fit {times.shape} times; one or more are needed")
    if not np.all(np.diff(times) >= 0.0):
        raise ValueError("the times of readings must not fall")
    kept = np.append(True, np.diff(times) > 0.0)
    return times[kept], temps[kept]


def _holes(times: Floats, span_h: tuple[float, float], hole_h: float) -> tuple[Hole, ...]:
    """Find silences longer than `hole_h`, cut to the stretch; before the first and after the last too."""
    begin_h, end_h = span_h
    bounds = np.concatenate(([min(begin_h, times[0])], times, [max(end_h, times[-1])]))
    wide = np.flatnonzero(np.diff(bounds) > hole_h)
    cut = (Hole(max(float(bounds[i]), begin_h), min(float(bounds[i + 1]), end_h)) for i in wide)
    return tuple(hole for hole in cut if hole.end_h - hole.start_h > 4.0 * _EDGE_H)
