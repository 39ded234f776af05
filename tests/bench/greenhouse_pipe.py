"""Measured glasshouses with a heating pipe: how far the highest air of the next hours is told amiss.

    python -m tests.bench.greenhouse_pipe

Asked: 0.7 K and 10 min, an hour ahead. Origins: every half hour with a hot pipe, after a fortnight, each
compartment by itself. "Learned" is what layday does (`forecast.near_course`): the pipe, the vents and the
lamps of those hours are not known to it; the programme is, and the weather in the second row of each. The
grey box, beside it, is given all of them as they came; it steps no heater that modulates. Last, what a
forecaster would miss who knew the air but for 0.3 K that wander within the hour: a flat course has its
peak anywhere.
"""

import csv
import gzip
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from collector.clock import to_us
from forecast.climate_fit import fit_climate
from forecast.climate_past import Array, ClimatePast, Times
from forecast.climate_run import Shed, followed, gain_k_w
from forecast.climate_water import fit_water
from forecast.heater_plan import lately_w, peak_of
from forecast.heater_shed import pipe_share
from forecast.near_course import NEAR_LEARN_DAYS, NEAR_STEPS, NearAhead, learn_near, near_paths
from forecast.thermostat import usual_thermostat

DATA = Path(__file__).parents[1] / "data"
_LAMP_W_M2 = 150.0
_AHEAD, _HOURS_STEPS = NEAR_STEPS, {1: 12, 2: 24}
_GREY_DAYS, _DAY, _EVERY, _REFIT = 10, 288, 6, 3 * 288
_HOT_SHARE = 8.0 / 60.0
_WANDER_K, _WANDER_STEPS = 0.3, 12


def past_of_greenhouse(name: str, *, machines: bool) -> ClimatePast:
    """Return a compartment; with `machines`, lamps count as sunshine and open vents as wind."""
    times_us, columns = wide_columns(DATA / f"greenhouse_{name}.csv.gz")
    whole = {key: _bridged(values) for key, values in columns.items()}
    nothing: Array = np.full((1, len(times_us)), np.nan)
    air_c = columns["bay.air_c"]
    pipe_c = columns["heater.pipe_c"]
    sun_w_m2, wind_m_s = whole["outdoor.sun_w_m2"], whole["outdoor.wind_m_s"]
    if machines:
        sun_w_m2 = sun_w_m2 + _LAMP_W_M2 * whole["lamp.on_pct"] / 100.0
        wind_m_s = 0.3 * (wind_m_s + whole["vent.lee_pct"] + whole["vent.wind_pct"])
    past = ClimatePast(
        300, times_us, ("bay",), air_c[None], nothing, columns["bay.humidity_pct"][None],
        whole["outdoor.air_c"], whole["outdoor.humidity_pct"], sun_w_m2, wind_m_s,
        nothing[0], whole["heater.setpoint_c"], pipe_c,
    )  # fmt: skip
    return past.with_burn(np.nan_to_num(pipe_share(past)))


def wide_columns(path: Path) -> tuple[Times, dict[str, Array]]:
    """Return the times [microseconds since 1970 UTC] and columns of a wide CSV file."""
    with gzip.open(path, "rt") as file:
        head, *rows = csv.reader(file)
    times = [to_us(datetime.fromisoformat(row[0])) for row in rows]
    table = np.array([[float(cell or "nan") for cell in row[1:]] for row in rows])
    return np.array(times, dtype=np.int64), dict(zip(head[1:], table.T, strict=True))


def _bridged(values: Array) -> Array:
    heard = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(len(values)), heard, values[heard])


@dataclass(frozen=True, slots=True)
class Missed:
    """By how much one origin's peak was told amiss: `off_k` [K], `off_min` [min]; `inside` the range said."""

    off_k: float
    off_min: float
    inside: bool = True


class Compartment:
    """A compartment and the origins at which it is asked."""

    def __init__(self, name: str) -> None:
        self.past = past_of_greenhouse(name, machines=False)
        self._with_machines = past_of_greenhouse(name, machines=True)
        # Five-minute readings jitter by half a degree; a quarter of an hour is what a thermometer shows.
        self.shown_c = np.convolve(_bridged(self.past.air_c[0]), np.ones(3) / 3.0, mode="same")
        hot = self.past.burn_share > _HOT_SHARE
        self.origins = [
            origin
            for origin in range(14 * _DAY, len(self.past) - _AHEAD, _EVERY)
            if np.mean(hot[origin - 12 : origin]) >= 0.4
        ]

    def missed(self, origin: int, air_c: Array, hours: int) -> Missed:
        """Return by how much courses (paths, steps) miss the peak of the next hours."""
        steps = _HOURS_STEPS[hours]
        came = peak_of(self.shown_c[None, origin : origin + steps], 300.0)
        said = peak_of(air_c[:, :steps], 300.0)
        low_c, likely_c, high_c = np.quantile(said.peak_c, (0.1, 0.5, 0.9))
        step = float(np.quantile(said.step, 0.5, method="nearest"))
        peak_c = float(came.peak_c[0])
        return Missed(likely_c - peak_c, 5.0 * (step - came.step[0]), bool(low_c <= peak_c <= high_c))

    def learned(self, *, knows_weather: bool) -> Iterator[tuple[int, Array]]:
        """Yield each origin and the courses that layday draws there, fitted anew every three days."""
        past, fitted, near = self.past, -1, None
        for origin in self.origins:
            so_far = past.until(origin, NEAR_LEARN_DAYS * _DAY)
            if origin // _REFIT != fitted:
                fitted = origin // _REFIT
                near = learn_near(so_far, 0, knows_weather=knows_weather)
            assert near is not None
            later = slice(origin, origin + _AHEAD)
            weather = (past.out_c[later], past.sun_w_m2[later], past.wind_m_s[later])
            ahead = NearAhead(past.setpoint_c[later], weather if knows_weather else None)
            yield origin, near_paths(replace(near, past=so_far), ahead, 200)

    def stepped(self) -> Iterator[tuple[int, Array]]:
        """Yield each origin and the grey box's course, with pipe, vents, lamps and weather as they came."""
        past, fitted = self._with_machines, -1
        for origin in self.origins:
            if origin // _REFIT != fitted:
                fitted = origin // _REFIT
                heat = fit_climate(past.until(origin, _GREY_DAYS * _DAY), None)
                water = fit_water(past.until(origin, _DAY), heat, unvented=False)
                shed = Shed(heat, water, usual_thermostat(0), unvented=False)
                gain = gain_k_w(heat.model)
            course = followed(shed, past.until(origin + _AHEAD, 4 * _DAY + _AHEAD), 4 * _DAY)
            late_k = float(lately_w(shed, past.until(origin, 4 * _DAY), gain)[0] * gain[0])
            yield origin, course[:1] + late_k * np.exp(-np.arange(_AHEAD) / 24.0)

    def nearly_known(self) -> Iterator[tuple[int, Array]]:
        """Yield each origin and the true course but for noise."""
        for origin in self.origins:
            yield origin, (self.shown_c[origin : origin + _AHEAD] + _wander_k(origin))[None]


def _wander_k(seed: int) -> Array:
    """Return noise of `_WANDER_K` that is forgotten within the hour."""
    random, keep = np.random.default_rng(seed), np.exp(-1.0 / _WANDER_STEPS)
    noise = random.normal(size=_AHEAD + 1)
    for step in range(1, _AHEAD + 1):
        noise[step] = keep * noise[step - 1] + np.sqrt(1.0 - keep**2) * noise[step]
    found: Array = _WANDER_K * noise[1:]
    return found


def main() -> None:
    """Print the table."""
    head = "".join(f"{f'{hours} h: off, K':>14}{'min':>7}{'in 80 %':>9}" for hours in _HOURS_STEPS)
    print(f"{'compartment':<13}{'by':<26}{'n':>5}{head}")
    for name in ("reference", "cva", "koala"):
        it = Compartment(name)
        voices = {
            "learned": it.learned(knows_weather=False),
            "learned, weather known": it.learned(knows_weather=True),
            "grey box, all known": it.stepped(),
            f"known to {_WANDER_K} K": it.nearly_known(),
        }
        for voice, courses in voices.items():
            rows = list(courses)
            cells = "".join(
                _cells(it, rows, hours, spread=voice.startswith("learned")) for hours in _HOURS_STEPS
            )
            print(f"{name:<13}{voice:<26}{len(rows):>5}{cells}", flush=True)


def _cells(it: Compartment, rows: list[tuple[int, Array]], hours: int, *, spread: bool) -> str:
    found = [it.missed(origin, air_c, hours) for origin, air_c in rows]
    off_k, off_min = (
        np.mean(np.abs(each)) for each in zip(*((one.off_k, one.off_min) for one in found), strict=True)
    )
    inside = f"{100 * np.mean([one.inside for one in found]):.0f}" if spread else ""
    return f"{off_k:>14.2f}{off_min:>7.1f}{inside:>9}"


if __name__ == "__main__":
    main()
