"""A shed's past on an even grid, as the grey box wants it: every bay, the weather, the heater."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Times = npt.NDArray[np.int64]
Series = Mapping[str, tuple[Times, Array]]
"""Sound readings by ``place.quantity``: rising times [microseconds since 1970 UTC] and values."""

STEP_S = 60
_US = 1_000_000
_LONGEST_HOLE_S = 1800
_PCT = 100.0


@dataclass(frozen=True, slots=True)
class ClimatePast:
    """A past of `n` steps of `step_s` seconds; NaN where nothing was heard.

    `times_us` (n,) is the end of each step. `air_c`, `part_c`, `humidity_pct` are (bays, n); `out_c`,
    `out_humidity_pct`, `sun_w_m2`, `wind_m_s` are (n,). `burn_share` (n,) is how much of a step and of full
    power the heater burned, `setpoint_c` (n,) what it was set to, `pipe_c` (n,) its pipe.
    """

    step_s: int
    times_us: Times
    bays: tuple[str, ...]
    air_c: Array
    part_c: Array
    humidity_pct: Array
    out_c: Array
    out_humidity_pct: Array
    sun_w_m2: Array
    wind_m_s: Array
    burn_share: Array
    setpoint_c: Array
    pipe_c: Array

    def __len__(self) -> int:
        return len(self.times_us)

    def until(self, count: int, steps: int | None = None) -> "ClimatePast":
        """Return the first `count` steps, or of those the last `steps`."""
        return self._cut(slice(0 if steps is None else max(0, count - steps), count), self.step_s)

    def every(self, steps: int) -> "ClimatePast":
        """Return one of every so many steps, up to the last: a past for slow things, on longer steps."""
        return self._cut(slice((len(self) - 1) % steps, None, steps), self.step_s * steps)

    def _cut(self, cut: slice, step_s: int) -> "ClimatePast":
        return ClimatePast(
            step_s, self.times_us[cut], self.bays,
            self.air_c[:, cut], self.part_c[:, cut], self.humidity_pct[:, cut],
            self.out_c[cut], self.out_humidity_pct[cut], self.sun_w_m2[cut], self.wind_m_s[cut],
            self.burn_share[cut], self.setpoint_c[cut], self.pipe_c[cut],
        )  # fmt: skip

    def with_burn(self, burn_share: Array) -> "ClimatePast":
        """Return the same past with another course of the heater."""
        return ClimatePast(
            self.step_s, self.times_us, self.bays, self.air_c, self.part_c, self.humidity_pct, self.out_c,
            self.out_humidity_pct, self.sun_w_m2, self.wind_m_s, burn_share, self.setpoint_c, self.pipe_c,
        )  # fmt: skip


def past_on_grid(
    series: Series, bays: tuple[str, ...], first_us: int, last_us: int, step_s: int = STEP_S
) -> ClimatePast:
    """Return readings on a grid whose last step ends at `last_us`.

    Temperatures and weather stand for the end of their step: the straight line between readings, held for
    half an hour after the last, NaN in longer holes. What the heater did (``heater.on``,
    ``heater.on_pct``) is held until it is told otherwise, and averaged over the step.

    Parameters
    ----------
    series : mapping
        See `Series`.
    bays : tuple of str
        The bays, in the order wanted.
    first_us, last_us : int
        The span [microseconds since 1970 UTC], at least one step.
    step_s : int, optional
        Length of a step [s].

    Raises
    ------
    ValueError
        If the span is shorter than a step.
    """
    count = (last_us - first_us) // (step_s * _US)
    if count < 1:
        raise ValueError(f"a past of {(last_us - first_us) / _US:.0f} s is shorter than a step of {step_s} s")
    times_us = last_us - step_s * _US * np.arange(count - 1, -1, -1, dtype=np.int64)

    def line(name: str) -> Array:
        return _line(series.get(name), times_us)

    def rows(quantity: str) -> Array:
        return np.stack([line(f"{bay}.{quantity}") for bay in bays])

    return ClimatePast(
        step_s, times_us, bays,
        rows("air_c"), rows("part_c"), rows("humidity_pct"),
        line("outdoor.air_c"), line("outdoor.humidity_pct"),
        line("outdoor.sun_w_m2"), line("outdoor.wind_m_s"),
        _burn_share(series, times_us, step_s),
        _held(series.get("heater.setpoint_c"), times_us),
        line("heater.pipe_c"),
    )  # fmt: skip


def _line(readings: tuple[Times, Array] | None, times_us: Times) -> Array:
    if readings is None or not len(readings[0]):
        return np.full(len(times_us), np.nan)
    at_us, values = readings
    # Differences from the first keep microseconds exact in doubles.
    zero = at_us[0]
    found = np.interp((times_us - zero).astype(np.float64), (at_us - zero).astype(np.float64), values)
    after = np.searchsorted(at_us, times_us, side="right")
    before_us = at_us[np.maximum(after - 1, 0)]
    next_us = at_us[np.minimum(after, len(at_us) - 1)]
    hole = np.where(after < len(at_us), next_us - before_us, times_us - before_us)
    # One reading every half hour is no hole.
    longest_us = max(_LONGEST_HOLE_S * _US, 2 * int(np.median(np.diff(at_us))) if len(at_us) > 1 else 0)
    unheard = (after == 0) | (hole > longest_us)
    return np.where(unheard, np.nan, found)


def _held(readings: tuple[Times, Array] | None, times_us: Times) -> Array:
    """Return the newest value at each time: a setting holds until it is changed."""
    if readings is None or not len(readings[0]):
        return np.full(len(times_us), np.nan)
    at_us, values = readings
    last = np.searchsorted(at_us, times_us, side="right") - 1
    return np.where(last >= 0, values[np.maximum(last, 0)], np.nan)


def _burn_share(series: Series, times_us: Times, step_s: int) -> Array:
    for name, full in (("heater.on", 1.0), ("heater.on_pct", _PCT)):
        readings = series.get(name)
        if readings is not None and len(readings[0]):
            return np.clip(_mean_held(_switched(*readings), times_us, step_s) / full, 0.0, 1.0)
    return np.full(len(times_us), np.nan)


def _switched(at_us: Times, values: Array) -> tuple[Times, Array]:
    """Return when each value began: a sensor that is asked every minute sees a switch half a minute late.

    One that speaks only when something changes is on time.
    """
    if len(at_us) < 3 or np.mean(np.diff(values) == 0.0) < 0.5:  # noqa: PLR2004
        return at_us, values
    return at_us - int(np.median(np.diff(at_us))) // 2, values


def _mean_held(readings: tuple[Times, Array], times_us: Times, step_s: int) -> Array:
    """Return the mean over each step of a value that holds until the next reading, or half an hour."""
    at_us, values = readings
    edges = np.concatenate([[times_us[0] - step_s * _US], times_us])
    zero = min(int(at_us[0]), int(edges[0]))
    at_s, edge_s = (at_us - zero) / _US, (edges - zero) / _US
    ends_s = np.append(at_s[1:], np.inf)
    held_s = np.minimum(ends_s - at_s, _LONGEST_HOLE_S)
    whole = np.concatenate([[0.0], np.cumsum(values * held_s)])
    told = np.concatenate([[0.0], np.cumsum(held_s)])

    def until(sums: Array, rates: Array) -> Array:
        last = np.searchsorted(at_s, edge_s, side="right") - 1
        place = np.maximum(last, 0)
        part = sums[place] + rates[place] * np.minimum(edge_s - at_s[place], held_s[place])
        return np.where(last >= 0, part, 0.0)

    amount, known_s = np.diff(until(whole, values)), np.diff(until(told, np.ones(len(values))))
    return np.where(known_s > 0.5 * step_s, amount / np.maximum(known_s, 1e-9), np.nan)
