"""A shed's past on one regular grid of half hours: what forecasts are made from."""

import csv
import gzip
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt

from collector.clock import to_us
from collector.errors import InputError
from collector.store.base import Store

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]

STEP_MIN = 30
STEP_US = STEP_MIN * 60_000_000
DAY_STEPS = 48
AHEAD_STEPS = 144
FORECAST_QUANTITIES = ("air_c", "humidity_pct", "part_c")
_NOT_BAYS = ("outdoor", "heater", "vent", "lamp")
# What stands in for an input that was never heard yet; it only matters until it is.
_UNHEARD = {"air_c": 12.0, "humidity_pct": 70.0, "part_c": 12.0, "setpoint_c": 12.0, "pipe_c": 12.0}


@dataclass(frozen=True, slots=True)
class History:
    """Readings on a grid of half hours.

    `times_us` (n,) rises by `STEP_US`. `columns` maps ``place.quantity`` to (n,) values in the
    quantity's unit, NaN where nothing was heard. `lows` and `highs` map the names of what can be
    forecast to the lowest and highest reading of the half hour that ends with each step: between
    two steps a limit can break unseen. `ahead` maps the columns whose future is
    known (an outdoor forecast, a thermostat programme) to (n + `AHEAD_STEPS`,) values on the
    same grid continued; NaN where unknown. `within` maps columns to (n, 2): by how much the mean
    of the step's half hour lies above its newest value, and the mean of its second quarter of an
    hour above that of its first; what a sensor of every few minutes knows more.
    """

    times_us: Times
    columns: Mapping[str, Array]
    ahead: Mapping[str, Array]
    within: Mapping[str, Array] = field(default_factory=dict)
    lows: Mapping[str, Array] = field(default_factory=dict)
    highs: Mapping[str, Array] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.times_us)

    @property
    def bays(self) -> tuple[str, ...]:
        """The bays, in order of their names."""
        places = {name.rpartition(".")[0] for name in self.columns if name.endswith(FORECAST_QUANTITIES)}
        return tuple(sorted(place for place in places if place and place not in _NOT_BAYS))

    @property
    def units(self) -> tuple[tuple[str, str], ...]:
        """The (bay, quantity) pairs that can be forecast."""
        return tuple(
            (bay, quantity)
            for bay in self.bays
            for quantity in FORECAST_QUANTITIES
            if f"{bay}.{quantity}" in self.columns
        )

    def until(self, count: int) -> "History":
        """Return the first `count` steps; what is known ahead stays known for `AHEAD_STEPS` more."""
        return History(
            self.times_us[:count],
            {name: values[:count] for name, values in self.columns.items()},
            {name: values[: count + AHEAD_STEPS] for name, values in self.ahead.items()},
            {name: values[:count] for name, values in self.within.items()},
            {name: values[:count] for name, values in self.lows.items()},
            {name: values[:count] for name, values in self.highs.items()},
        )

    def since(self, start: int) -> "History":
        """Return the steps from `start` on."""
        return History(
            self.times_us[start:],
            {name: values[start:] for name, values in self.columns.items()},
            {name: values[start:] for name, values in self.ahead.items()},
            {name: values[start:] for name, values in self.within.items()},
            {name: values[start:] for name, values in self.lows.items()},
            {name: values[start:] for name, values in self.highs.items()},
        )

    def index(self, at: datetime) -> int:
        """Return the first step at or after `at` (the length, where there is none)."""
        return int(np.searchsorted(self.times_us, to_us(at)))


def thin(times_us: Times, columns: Mapping[str, Array]) -> History:
    """Return the readings on a grid of half hours: the newest value of each half hour.

    Parameters
    ----------
    times_us : (n,) int64
        Rising times [microseconds since 1970 UTC].
    columns : mapping to (n,) arrays
        Values in their quantities' units; NaN where missing.

    Raises
    ------
    InputError
        If there is no time at all.

    >>> thin(np.array([0, STEP_US]), {"keel.air_c": np.array([20.0, 21.0])}).bays
    ('keel',)
    """
    if not len(times_us):
        raise InputError("no readings: there is nothing to forecast from")
    first_us = -(-int(times_us[0]) // STEP_US) * STEP_US
    grid = np.arange(first_us, int(times_us[-1]) + STEP_US, STEP_US, dtype=np.int64)
    thinned, lows, highs = {}, {}, {}
    for name, values in columns.items():
        heard = np.isfinite(values)
        at_us, kept = times_us[heard], values[heard]
        thinned[name] = _newest(grid, at_us, kept)
        if name.endswith(FORECAST_QUANTITIES):
            lows[name], highs[name] = _extremes(grid, at_us, kept)
    if grid[-1] > times_us[-1]:
        grid = grid[:-1]
        thinned, lows, highs = (
            {name: values[:-1] for name, values in one.items()} for one in (thinned, lows, highs)
        )
    if not len(grid):
        grid = np.array([first_us], dtype=np.int64)
        thinned = {name: values[-1:].astype(np.float64) for name, values in columns.items()}
        lows, highs = {}, {}
    within = {name: _within(times_us, columns[name], grid, values) for name, values in thinned.items()}
    return History(grid, thinned, {}, within, lows, highs)


def _newest(grid: Times, at_us: Times, kept: Array) -> Array:
    """Return the newest value of each step's half hour; NaN where none was heard."""
    if not len(at_us):
        return np.full(len(grid), np.nan)
    place = np.searchsorted(at_us, grid, side="right") - 1
    fresh = (place >= 0) & (grid - at_us[np.maximum(place, 0)] < STEP_US)
    return np.where(fresh, kept[np.maximum(place, 0)], np.nan)


def _within(times_us: Times, values: Array, grid: Times, newest: Array) -> Array:
    """Return (n, 2): mean above newest value, and second quarter above first, of each half hour."""
    heard = np.isfinite(values)
    at_us, kept = times_us[heard], values[heard]
    sums = np.concatenate([[0.0], np.cumsum(kept)])
    edges = [np.searchsorted(at_us, grid - back, side="right") for back in (STEP_US, STEP_US // 2, 0)]
    first, second, whole = (
        _mean_between(sums, edges[left], edges[right]) for left, right in ((0, 1), (1, 2), (0, 2))
    )
    return np.stack([whole - newest, second - first], axis=1)


def _mean_between(sums: Array, start: Times, end: Times) -> Array:
    """Return the mean of the values between two places each; NaN of none."""
    count = end - start
    return np.where(count > 0, (sums[end] - sums[start]) / np.maximum(count, 1), np.nan)


def _extremes(grid: Times, at_us: Times, values: Array) -> tuple[Array, Array]:
    """Return the lowest and the highest reading of the half hour ending with each step; NaN without any."""
    low, high = np.full(len(grid), np.inf), np.full(len(grid), -np.inf)
    place = np.searchsorted(grid, at_us)
    inside = (place < len(grid)) & (at_us > grid[0] - STEP_US)
    np.minimum.at(low, place[inside], values[inside])
    np.maximum.at(high, place[inside], values[inside])
    silent = low > high
    return np.where(silent, np.nan, low), np.where(silent, np.nan, high)


def read_csv(path: Path) -> History:
    """Return the history in a wide CSV file (``time`` and ``place.quantity`` columns, gzip or not).

    Raises
    ------
    InputError
        Where the file is missing, has no ``time`` column or holds a value that is no number.
    """
    try:
        with gzip.open(path, "rt") if path.suffix == ".gz" else path.open() as file:
            rows = csv.reader(file)
            head = next(rows, [])
            if not head or head[0] != "time":
                raise InputError(f'{path}: the first column is not "time"; write it as `layday export` does')
            lines = list(rows)
    except OSError as error:
        raise InputError(f"{path}: {error.strerror or error}; give a .csv or .csv.gz file") from error
    try:
        times_us = np.array([to_us(datetime.fromisoformat(line[0])) for line in lines], dtype=np.int64)
        table = np.array([[float(cell or "nan") for cell in line[1:]] for line in lines])
    except ValueError as error:
        raise InputError(f"{path}: {error}") from error
    order = np.argsort(times_us, kind="stable")
    table = table.reshape(len(lines), len(head) - 1)[order]
    return thin(times_us[order], {name: table[:, place] for place, name in enumerate(head[1:])})


def read_store(store: Store, at: datetime, span: timedelta = timedelta(days=60)) -> History:
    """Return the unsuspected readings of every sensor in the `span` up to and including `at`.

    Raises
    ------
    InputError
        If there are none.
    """
    heard = {}
    for name, times in store.sensors().items():
        if times.last_at < at - span:
            continue
        samples = store.window(name, at - span, at + timedelta(microseconds=1))
        sound = (samples.flags == 0) & np.isfinite(samples.values)
        if sound.any():
            heard[name] = samples.times_us[sound], samples.values[sound]
    if not heard:
        raise InputError(f"no sound readings in the {span.days} days before {at.isoformat()}")
    times_us = np.unique(np.concatenate([times for times, _ in heard.values()]))
    columns = {}
    for name, (own_us, values) in heard.items():
        columns[name] = np.full(len(times_us), np.nan)
        columns[name][np.searchsorted(times_us, own_us)] = values
    return thin(times_us, columns)


def filled(values: Array, name: str) -> Array:
    """Return `values` with each hole filled by the last value before it, never by a later one."""
    heard = np.isfinite(values)
    last = np.maximum.accumulate(np.where(heard, np.arange(len(values)), -1))
    start = _UNHEARD.get(name.rpartition(".")[2], 0.0)
    return np.where(last >= 0, values[np.maximum(last, 0)], start)


def age_steps(values: Array) -> npt.NDArray[np.int64]:
    """Return how many steps ago each step's last value was heard; large before the first."""
    steps = np.arange(len(values))
    last = np.maximum.accumulate(np.where(np.isfinite(values), steps, -(10**6)))
    return steps - last


def moved(values: Array, shift: int, count: int) -> Array:
    """Return (…, count) values of a history that begins `shift` steps later; NaN where there were none."""
    moved = np.full((*values.shape[:-1], count), np.nan)
    start, end = max(0, shift), min(values.shape[-1], shift + count)
    moved[..., start - shift : end - shift] = values[..., start:end]
    return moved
