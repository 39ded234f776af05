"""Fit the grey box to a shed's past: bounded least squares on what it forecasts some hours ahead.

The past is cut into stretches; each starts from what was measured (the slow mass, which nobody measures, is
driven along by the measured air) and is stepped some hours ahead. All stretches, and all variants that the
slopes need, are stepped side by side. Constants are logarithms about the priors of a poly tent, so none can
turn negative, and each is bounded; a shed without much to tell stays near its prior and says so.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from forecast._bounded import Prior, bounded_fit, within
from forecast.climate import Array, Heat, Model, Outside, parts_of, step_heat
from forecast.climate_past import ClimatePast

_AHEAD_H = (0.1667, 0.3333, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0)
_EVERY_H = 2.0
_AIR_K, _PART_K = 0.8, 0.5
_DRIVE_S = 600
_OUTSIDE_BELOW_K = 3.0
_MOST_PARTS = 6


# From the size of common poly tents and film coefficients of a few W/(m² K): common practice, no source.
_SHED = (
    "power_w", "casing_lag_s", "mix_stable_w_k", "mix_unstable_w_k", "mix_burning_w_k",
    "sky_drop_k", "ground_c",
)  # fmt: skip
_PRIORS = {
    "air_j_k": Prior(400e3, 0.7, 30e3, 20e6),
    "part_j_k": Prior(300e3, 0.8, 20e3, 20e6),
    "mass_j_k": Prior(2.5e6, 0.5, 50e3, 8e6),
    "part_air_w_k": Prior(80.0, 0.8, 0.5, 5e3),
    "part_out_w_k": Prior(12.0, 0.8, 0.05, 2e3),
    "part_mass_w_k": Prior(12.0, 0.8, 0.05, 2e3),
    "mass_air_w_k": Prior(110.0, 0.8, 0.5, 20e3),
    "mass_ground_w_k": Prior(15.0, 1.2, 0.01, 5e3),
    "out_w_k": Prior(120.0, 0.8, 1.0, 20e3),
    "wind_j_m_k": Prior(5.0, 0.8, 0.05, 1e3),
    "sun_air_m2": Prior(0.6, 1.0, 0.005, 100.0),
    "sun_part_m2": Prior(0.5, 1.0, 0.005, 100.0),
    "sun_mass_m2": Prior(1.0, 1.0, 0.005, 300.0),
    "heater_share": Prior(0.5, 1.5, 0.01, 1.0),
    "casing_lag_s": Prior(120.0, 0.6, 60.0, 3600.0),
    "mix_stable_w_k": Prior(50.0, 0.8, 0.5, 5e3),
    "mix_unstable_w_k": Prior(500.0, 0.6, 5.0, 5e3),
    "mix_burning_w_k": Prior(30.0, 0.8, 0.5, 5e3),
    "sky_drop_k": Prior(1.0, 0.7, 0.05, 6.0),
}
_USUAL_POWER_W = 9000.0
_ALIKE = (
    "air_j_k", "part_j_k", "part_air_w_k", "out_w_k", "wind_j_m_k",
    "sun_air_m2", "sun_mass_m2", "mass_air_w_k",
)  # fmt: skip
_ALIKE_LN = 0.4


@dataclass(frozen=True, slots=True)
class ClimateFit:
    """A fitted shed: its model, what could not be told from the past, and how far it errs.

    `order` lists the places of the bays in the past, the warmest first, as the model has them. `error_k` is
    the mean miss of the air an hour ahead with everything known, (bays,), NaN where nothing was measured.
    `unknown` names, in words, what the past cannot tell.
    """

    model: Model
    order: tuple[int, ...]
    error_k: Array
    unknown: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Task:
    """What is fitted: stretches of the past with their inputs, (bays, 1, stretches) or (steps, stretches)."""

    names: tuple[tuple[str, int], ...]
    fixed: dict[str, Array]
    start: Array
    usual: Array
    spread: Array
    low: Array
    high: Array
    step_s: float
    starts: npt.NDArray[np.int64]
    air_c: Array
    part_c: Array
    out_c: Array
    sun_w_m2: Array
    wind_m_s: Array
    burn_share: Array
    marks: npt.NDArray[np.int64]
    has_part: npt.NDArray[np.bool_]


class _Constants(NamedTuple):
    """What is fitted, in order: its name and bay, its prior and its bounds in spreads about it."""

    names: tuple[tuple[str, int], ...]
    usual: Array
    spread: Array
    low: Array
    high: Array


def fit_climate(past: ClimatePast, power_w: float | None, start: ClimateFit | None = None) -> ClimateFit:
    """Fit the grey box to a past of hours to weeks.

    Parameters
    ----------
    past : ClimatePast
        At least one bay; holes, missing columns and constant series are fine, and told in `unknown`.
    power_w : float or None
        The heater's full power [W], above 0; None where nobody knows, and then all constants are as if it
        had 9 kW: their ratios are right, their size is not.
    start : ClimateFit, optional
        An earlier fit of the same bays to begin from.

    Raises
    ------
    ValueError
        If `power_w` is not above 0.
    """
    if power_w is not None and not power_w > 0.0:
        raise ValueError(f"power_w must be above 0, not {power_w}")
    order = _warmest_first(past)
    task = _task(past, order, power_w or _USUAL_POWER_W, start)
    if len(task.starts):
        best = bounded_fit(lambda points: _misses(task, points), task.start, task.low, task.high)
    else:
        best = task.start
    model = _model(task, best[None, :], single=True)
    error_k = _error_k(task, best) if len(task.starts) else np.full(len(order), np.nan)
    return ClimateFit(model, order, error_k, _unknown(past, power_w, len(task.starts)))


def _warmest_first(past: ClimatePast) -> tuple[int, ...]:
    heard = np.isfinite(past.air_c)
    means = np.where(heard, past.air_c, 0.0).sum(axis=1) / np.maximum(heard.sum(axis=1), 1)
    means[~heard.any(axis=1)] = -np.inf
    return tuple(int(place) for place in np.argsort(-means, kind="stable"))


def whole(values: Array, value: float) -> Array:
    """Return values with holes bridged by straight lines, and `value` where there are none at all."""
    heard = np.isfinite(values)
    if not heard.any():
        return np.full(len(values), value)
    steps = np.arange(len(values))
    return np.interp(steps, steps[heard], values[heard])


def outside_filled(past: ClimatePast) -> tuple[Array, Array, Array]:
    """Return outdoor air [°C], sunshine [W/m²] and wind [m/s] without holes.

    With no outdoor readings at all, the outside stands 3 K below the day's mean of the coldest bay.
    """
    coldest = whole(past.air_c[_warmest_first(past)[-1]], 12.0)
    out_c = whole(past.out_c, float(np.mean(coldest)) - _OUTSIDE_BELOW_K)
    return out_c, np.maximum(whole(past.sun_w_m2, 0.0), 0.0), np.maximum(whole(past.wind_m_s, 3.0), 0.0)


def _as_fitted(fit: ClimateFit, names: Sequence[tuple[str, int]]) -> Array:
    """Return what another fit found, as this one counts it: the ground in °C, all else by its logarithm."""
    values = [(name, float(np.ravel(getattr(fit.model, name))[bay])) for name, bay in names]
    return np.array([value if name == "ground_c" else np.log(value) for name, value in values])


def _constants(bays: int, power_w: float, ground_c: float) -> _Constants:
    """Return the constants of a shed of this size: the ground in °C, all else by its logarithm."""
    scale = power_w / _USUAL_POWER_W * 2.0 / bays
    rows = []
    for name, prior in _PRIORS.items():
        sized = scale if name.endswith(("_j_k", "_w_k", "_m2", "_j_m_k")) else 1.0
        usual, low, high = (float(np.log(one * sized)) for one in (prior.usual, prior.low, prior.high))
        row = (usual, prior.spread, (low - usual) / prior.spread, (high - usual) / prior.spread)
        rows += [((name, bay), row) for bay in range(1 if name in _SHED else bays)]
    rows.append((("ground_c", 0), (ground_c, 3.0, -5.0, 5.0)))
    return _Constants(tuple(name for name, _ in rows), *np.array([row for _, row in rows]).T)


def _task(past: ClimatePast, order: tuple[int, ...], power_w: float, start: ClimateFit | None) -> _Task:
    rows = list(order)
    out_c, sun_w_m2, wind_m_s = outside_filled(past)
    names, usual, spread, low, high = _constants(len(order), power_w, float(np.mean(out_c)))
    begin = np.zeros(len(names))
    if start is not None and start.order == order:
        begin = within((_as_fitted(start, names) - usual) / spread, low, high)
    starts, marks = _looks(past, rows)
    return _Task(
        names=names,
        fixed={"power_w": np.array([[power_w]])},
        start=begin,
        usual=usual,
        spread=spread,
        low=low,
        high=high,
        step_s=float(past.step_s),
        starts=starts,
        air_c=past.air_c[rows],
        part_c=past.part_c[rows],
        out_c=out_c,
        sun_w_m2=sun_w_m2,
        wind_m_s=wind_m_s,
        burn_share=np.nan_to_num(past.burn_share),
        marks=marks,
        has_part=np.asarray(np.isfinite(past.part_c[rows]).any(axis=1)),
    )


def _looks(past: ClimatePast, rows: list[int]) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the steps from which the fit looks ahead, and how many steps ahead it is held to the past."""
    every = max(1, round(_EVERY_H * 3600 / past.step_s))
    marks = np.array([round(hours * 3600 / past.step_s) for hours in _AHEAD_H])
    marks = np.unique(marks[marks >= 1])
    heard = np.asarray(np.isfinite(past.air_c[rows]).any(axis=0))
    starts = np.arange(every, len(past) - marks[-1], every)
    return starts[heard[starts]], marks


def _model(task: _Task, points: Array, *, single: bool = False) -> Model:
    """Return the model of each row of `points`, constants (bays, rows, 1), or (bays, 1) for a single one."""
    values = points * task.spread + task.usual
    by_name: dict[str, list[Array]] = {}
    for place, (name, _) in enumerate(task.names):
        column = values[:, place] if name == "ground_c" else np.exp(values[:, place])
        by_name.setdefault(name, []).append(column)
    arrays = {name: np.stack(columns)[:, :, None] for name, columns in by_name.items()}
    arrays["heater_share"] = arrays["heater_share"] / arrays["heater_share"].sum(axis=0)
    arrays["power_w"] = task.fixed["power_w"][:, :, None]
    if single:
        arrays = {name: array.reshape(len(array), 1) for name, array in arrays.items()}
    return Model(**{name: array if name not in _SHED else array[0] for name, array in arrays.items()})


def _misses(task: _Task, points: Array) -> Array:
    """Return (variants, n) of forecast less measured, air and part, in units of their scale."""
    air, part = _forecast(task, points)
    at = task.starts[None, :] + task.marks[:, None]
    air_miss = (air - task.air_c[:, at][:, :, None]) / _AIR_K
    part_miss = (part - task.part_c[:, at][:, :, None]) / _PART_K
    misses = np.stack([air_miss, part_miss])
    # Neighbouring marks of one stretch miss together: they are one observation, not nine.
    weight = 1.0 / np.sqrt(len(task.marks))
    found: Array = np.nan_to_num(np.clip(misses, -200.0, 200.0)) * weight
    found = np.moveaxis(found, 3, 0).reshape(len(points), -1)
    return np.concatenate([found, _unlike(task, points)], axis=1)


def _unlike(task: _Task, points: Array) -> Array:
    """Return how unlike a shed's bays are: a heater's share can be taken for a bay's size."""
    values = points * task.spread
    columns = []
    for name in _ALIKE:
        rows = values[:, [place for place, (other, _) in enumerate(task.names) if other == name]]
        columns.append((rows - rows.mean(axis=1, keepdims=True)) / _ALIKE_LN)
    return np.concatenate(columns, axis=1)


def _forecast(task: _Task, points: Array) -> tuple[Array, Array]:
    """Return air and part (bays, marks, variants, stretches) stepped from each start."""
    model = _model(task, points)
    heat = _begin(task, model)
    last = int(task.marks[-1])
    wanted = set(task.marks.tolist())
    air: list[Array] = []
    part: list[Array] = []
    # A variant that steps too coarsely shows as a large miss and is left; it need not be stepped well.
    parts = min(parts_of(model, task.step_s), _MOST_PARTS)
    for step in range(1, last + 1):
        at = task.starts + step
        outside = Outside(task.out_c[at], task.sun_w_m2[at], task.wind_m_s[at])
        for _ in range(parts):
            step_heat(model, heat, outside, task.burn_share[at], task.step_s / parts)
        if step in wanted:
            air.append(np.clip(heat.air_c, -99.0, 199.0))
            part.append(np.clip(heat.part_c, -99.0, 199.0))
    return np.stack(air, axis=1), np.stack(part, axis=1)


def _begin(task: _Task, model: Model) -> Heat:
    """Return what each stretch begins with: measured where there is a sensor, driven along where not."""
    part_c, mass_c = driven(model, task)
    at = task.starts
    shape = (part_c.shape[0], part_c.shape[1], len(at))
    air = np.array(np.broadcast_to(bridged(task.air_c)[:, None, at], shape))
    part = np.where(task.has_part[:, None, None], bridged(task.part_c)[:, None, at], part_c)
    return Heat(air, part, mass_c, _casing_j(task, model))


def bridged(rows: Array, value: float = 12.0) -> Array:
    """Return each row without holes (see `whole`)."""
    return np.stack([whole(row, value) for row in rows])


def driven(model: Model, task: _Task) -> tuple[Array, Array]:
    """Return part and mass at each start, (bays, variants, stretches), driven by the measured air."""
    stride = max(1, round(_DRIVE_S / task.step_s))
    air, measured = bridged(task.air_c)[:, ::stride], bridged(task.part_c)[:, ::stride]
    out, sun = task.out_c[::stride], task.sun_w_m2[::stride]
    dt_s = stride * task.step_s
    part = np.broadcast_to(air[:, :1, None], model.air_j_k.shape)
    mass_loss = model.mass_air_w_k + model.part_mass_w_k + model.mass_ground_w_k
    mass_fade = 1.0 - np.exp(-dt_s * mass_loss / model.mass_j_k)
    part_loss = model.part_air_w_k + model.part_out_w_k + model.part_mass_w_k
    part_fade = 1.0 - np.exp(-dt_s * part_loss / model.part_j_k)
    first_day = slice(0, max(1, round(86_400 / dt_s)))
    mass = _mass_target(
        model,
        air[:, first_day].mean(axis=1)[:, None, None],
        air[:, first_day].mean(axis=1)[:, None, None],
        sun[first_day].mean(),
        mass_loss,
    )
    wanted = task.starts // stride
    parts, masses = (
        np.empty((*model.air_j_k.shape[:2], len(wanted))),
        np.empty((*model.air_j_k.shape[:2], len(wanted))),
    )
    place = 0
    for step in range(int(wanted[-1]) + 1 if len(wanted) else 0):
        while place < len(wanted) and wanted[place] == step:
            parts[:, :, place], masses[:, :, place] = part[:, :, 0], mass[:, :, 0]
            place += 1
        air_now = air[:, step, None, None]
        part_now = np.where(task.has_part[:, None, None], measured[:, step, None, None], part)
        mass = mass + (_mass_target(model, air_now, part_now, sun[step], mass_loss) - mass) * mass_fade
        given = model.part_air_w_k * air_now + model.part_out_w_k * (out[step] - model.sky_drop_k)
        given = given + model.part_mass_w_k * mass + model.sun_part_m2 * sun[step]
        part = part_now + (given / part_loss - part_now) * part_fade
    return parts, masses


def _mass_target(model: Model, air_c: Array, part_c: Array, sun_w_m2: float, loss_w_k: Array) -> Array:
    given = model.mass_air_w_k * air_c + model.part_mass_w_k * part_c + model.mass_ground_w_k * model.ground_c
    found: Array = (given + model.sun_mass_m2 * sun_w_m2) / loss_w_k
    return found


def _casing_j(task: _Task, model: Model) -> Array:
    """Return what the casing holds at each start: what was burned, faded."""
    reach = max(1, min(int(task.starts[0]) if len(task.starts) else 1, round(3600 / task.step_s)))
    keep = 1.0 - task.step_s / (model.casing_lag_s + task.step_s)
    held = np.zeros((model.casing_lag_s.shape[0], len(task.starts)))
    for back in range(reach - 1, -1, -1):
        held = (held + task.burn_share[task.starts - back] * model.power_w * task.step_s) * keep
    return held


def _error_k(task: _Task, point: Array) -> Array:
    """Return the mean miss of each bay's air an hour ahead [K]."""
    air, _ = _forecast(task, point[None, :])
    mark = int(np.argmin(np.abs(task.marks * task.step_s - 3600.0)))
    miss = np.abs(air[:, mark, 0] - task.air_c[:, task.starts + task.marks[mark]])
    heard = np.isfinite(miss)
    total = np.where(heard, miss, 0.0).sum(axis=1)
    return np.where(heard.any(axis=1), total / np.maximum(heard.sum(axis=1), 1), np.nan)


def _unknown(past: ClimatePast, power_w: float | None, stretches: int) -> tuple[str, ...]:
    burn = past.burn_share[np.isfinite(past.burn_share)]
    silent = [bay for bay, row in zip(past.bays, past.part_c, strict=True) if not np.isfinite(row).any()]
    still = [
        bay for bay, row in zip(past.bays, past.air_c, strict=True)
        if np.isfinite(row).any() and np.ptp(row[np.isfinite(row)]) == 0.0
    ]  # fmt: skip
    doubts = (
        (not stretches, "too little was measured to learn from: this is any poly tent"),
        (not len(burn), "nothing says when the heater runs: its heat and its lag are guesses"),
        (len(burn) and np.ptp(burn) == 0.0, "the heater never changed: its heat and its lag are guesses"),
        (power_w is None, "the heater's power is not known: watts are as if it had 9 kW"),
        (not np.isfinite(past.out_c).any(), "nothing from outdoors: what the skin loses is a guess"),
        (not np.isfinite(past.sun_w_m2).any(), "no sunshine was measured: its warmth is a guess"),
        (not np.isfinite(past.wind_m_s).any(), "no wind was measured: its part in the loss is a guess"),
        (silent, f"no probe on the part in {', '.join(silent)}: its temperature is a guess"),
        (still, f"the air in {', '.join(still)} has not moved at all: is the sensor alive?"),
    )
    return tuple(words for doubt, words in doubts if doubt)


def state_at_end(fit: ClimateFit, past: ClimatePast) -> Heat:
    """Return the shed's heat at the end of a past, (bays, 1) in the model's order."""
    task = _task(past, fit.order, float(fit.model.power_w[0]), None)
    task = replace(task, starts=np.array([len(past) - 1]))
    variants = Model(
        **{
            name: value[:, None]
            for name, value in ((field.name, getattr(fit.model, field.name)) for field in fields(Model))
        }
    )
    heat = _begin(task, variants)
    return Heat(heat.air_c[:, 0], heat.part_c[:, 0], heat.mass_c[:, 0], heat.casing_j[0])
