"""The grey box on measured greenhouses with a heating pipe: the highest air of the next two hours.

    python -m tests.bench.greenhouse_pipe

Asked: 0.7 K and 10 min, an hour ahead. The pipe, the vents, the lamps and the weather of those two hours are
given as they came, so this is the most that stepping these heaters could reach; a scenario for a pipe that a
climate computer modulates is not offered. Origins: every second hour with a hot pipe, after a fortnight.
Beside it what a forecaster would miss who knew the air but for 0.3 K that wander within the hour, half of
what the best hour-ahead forecast of these compartments is off by: a flat course has its peak anywhere.
"""

import csv
import gzip
from datetime import datetime
from pathlib import Path

import numpy as np

from collector.clock import to_us
from forecast.climate_fit import fit_climate
from forecast.climate_past import Array, ClimatePast, Times
from forecast.climate_run import Shed, followed, gain_k_w
from forecast.climate_water import fit_water
from forecast.heater_plan import lately_w, peak_of
from forecast.thermostat import usual_thermostat

DATA = Path(__file__).parents[1] / "data"
PIPE_K = 60.0
"""A pipe so much above the air counts as full power; only ratios matter, the power being unknown."""
_LAMP_W_M2 = 150.0
_AHEAD = 24
_LEARN_DAYS, _DAY = 10, 288
_WANDER_K, _WANDER_STEPS = 0.3, 12


def past_of_greenhouse(name: str) -> ClimatePast:
    """Return a compartment as the grey box wants it: lamps count as sunshine, open vents as wind."""
    times_us, columns = wide_columns(DATA / f"greenhouse_{name}.csv.gz")
    whole = {key: _bridged(values) for key, values in columns.items()}
    nothing: Array = np.full((1, len(times_us)), np.nan)
    air_c = columns["bay.air_c"]
    pipe_c = columns["heater.pipe_c"]
    hot = np.where(pipe_c > 0.0, np.clip((pipe_c - whole["bay.air_c"]) / PIPE_K, 0.0, 1.0), 0.0)
    vents = whole["vent.lee_pct"] + whole["vent.wind_pct"]
    return ClimatePast(
        300, times_us, ("bay",), air_c[None], nothing, columns["bay.humidity_pct"][None],
        whole["outdoor.air_c"], whole["outdoor.humidity_pct"],
        whole["outdoor.sun_w_m2"] + _LAMP_W_M2 * whole["lamp.on_pct"] / 100.0,
        0.3 * (whole["outdoor.wind_m_s"] + vents), hot, whole["heater.setpoint_c"], pipe_c,
    )  # fmt: skip


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


def misses(name: str) -> Array:
    """Return rows (5, n): peak off [K], its time [min], if air stayed [K], and both of a near-perfect one."""
    past = past_of_greenhouse(name)
    # Five-minute readings jitter by half a degree; a quarter of an hour is what a thermometer shows.
    smooth = np.convolve(_bridged(past.air_c[0]), np.ones(3) / 3.0, mode="same")
    rows, fitted = [], -1
    for origin in range(14 * _DAY, len(past) - _AHEAD, 24):
        if np.mean(past.burn_share[origin - 12 : origin] * PIPE_K > 8.0) < 0.4:
            continue
        if origin // (3 * _DAY) != fitted:
            fitted = origin // (3 * _DAY)
            heat = fit_climate(past.until(origin, _LEARN_DAYS * _DAY), None)
            water = fit_water(past.until(origin, _DAY), heat, unvented=False)
            shed = Shed(heat, water, usual_thermostat(0), unvented=False)
            gain = gain_k_w(heat.model)
        course = followed(shed, past.until(origin + _AHEAD, 4 * _DAY + _AHEAD), 4 * _DAY)[0]
        late_k = float(lately_w(shed, past.until(origin, 4 * _DAY), gain)[0] * gain[0])
        course = course + late_k * np.exp(-np.arange(_AHEAD) / 24.0)
        true_c = smooth[origin : origin + _AHEAD]
        near, came = true_c + _wander_k(origin), peak_of(true_c[None], 300.0)
        said, nearly = peak_of(course[None], 300.0), peak_of(near[None], 300.0)
        rows.append((
            said.peak_c[0] - came.peak_c[0], 5.0 * (said.step[0] - came.step[0]),
            came.peak_c[0] - smooth[origin - 1],
            nearly.peak_c[0] - came.peak_c[0], 5.0 * (nearly.step[0] - came.step[0]),
        ))  # fmt: skip
    return np.array(rows).T


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
    head = ("n", "peak off, K", "off, min", "if it stayed, K", f"known to {_WANDER_K} K", "off, min")
    widths = (5, 13, 10, 17, 17, 10)
    print(f"{'compartment':<12}" + "".join(f"{one:>{wide}}" for one, wide in zip(head, widths, strict=True)))
    for name in ("reference", "cva", "koala"):
        rows = misses(name)
        cells = zip(np.mean(np.abs(rows), axis=1), widths[1:], (2, 0, 2, 2, 0), strict=True)
        numbers = "".join(f"{value:>{wide}.{places}f}" for value, wide, places in cells)
        print(f"{name:<12}{rows.shape[1]:>5}{numbers}")


if __name__ == "__main__":
    main()
