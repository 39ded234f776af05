"""What a practitioner or a data scientist would reach for, for `tests.bench.forecast_skill`.

Persistence, same hour yesterday, ridge and histogram gradient boosting straight to each
horizon on plain lags and weather, and the mix of these four. Nothing here hangs on our
forecaster, so that what is kept of them stays good while that changes.
"""

from itertools import pairwise

import numpy as np
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.linear_model import Ridge
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

from forecast.air import saturation_pressure_pa
from forecast.baselines import lagged, same_hour
from forecast.past import AHEAD_STEPS, DAY_STEPS, Array, History, filled

HORIZONS_H = (1, 3, 6, 12, 24, 48)
NAMES = ("persistence", "yesterday", "plain ridge", "boosting")
_OUTSIDE = ("outdoor.air_c", "outdoor.humidity_pct", "outdoor.sun_w_m2", "outdoor.wind_m_s")
_MACHINES = ("heater.setpoint_c", "heater.pipe_c", "heater.on", "heater.on_pct", "vent.lee_pct")
_OWN_LAGS = (0, 1, 2, 3, 4, 6, 8, 12, 24, 36, 48)
_OTHER_LAGS = (0, 6, 48)
_BEFORE_TARGET_STEPS = (4, 12)
_PENALTY = 10.0
_MIN_ROWS = 96
_BOOSTED_ROWS = 4 * _MIN_ROWS
_MIX_STEPS = 10 * DAY_STEPS


def refits(start: int, end: int) -> list[int]:
    """Return when the regressions are fitted: weekly, and while the data are young more often."""
    first = max(0, start - 28 * DAY_STEPS)
    young = [step for step in (DAY_STEPS * days for days in (3, 5, 7, 10, 14)) if first < step < end]
    return sorted({*young, *range(max(first, young[-1] if young else first), end, 7 * DAY_STEPS)})


def said(history: History, unit: tuple[str, str], start: int) -> Array:
    """Return what the plain four say (`NAMES`, `HORIZONS_H`, n) by origin; NaN while they cannot."""
    measured = history.columns[".".join(unit)]
    values = filled(measured, ".".join(unit))
    base = _lags(history, unit, values)
    spoken = np.full((len(NAMES), len(HORIZONS_H), len(values)), np.nan)
    for place, hours in enumerate(HORIZONS_H):
        ahead = 2 * hours
        inputs = np.hstack([base, same_hour(values, ahead)[:, None], *_known(history, ahead)])
        inputs = np.where(np.isfinite(inputs), inputs, values[:, None])
        change = lagged(measured, -ahead) - values
        spoken[0, place], spoken[1, place] = values, same_hour(values, ahead)
        for refit, end in pairwise([*refits(start, len(values)), len(values)]):
            rows = np.arange(DAY_STEPS, max(DAY_STEPS, refit - ahead + 1))
            rows = rows[np.isfinite(change[rows])]
            span = slice(refit, end)
            if len(rows) >= _MIN_ROWS:
                ridge = make_pipeline(StandardScaler(), Ridge(_PENALTY)).fit(inputs[rows], change[rows])
                spoken[2, place, span] = values[span] + ridge.predict(inputs[span])
            if len(rows) >= _BOOSTED_ROWS:
                spoken[3, place, span] = values[span] + _boosted(inputs[rows], change[rows], inputs[span])
    return spoken


def _boosted(inputs: Array, target: Array, asked: Array) -> Array:
    model = HistGradientBoostingRegressor(max_iter=100, random_state=0, early_stopping=False)
    # Every other half hour: neighbours say nearly the same, and it is half the time.
    found: Array = model.fit(inputs[::2], target[::2]).predict(asked)
    return found


def _lags(history: History, unit: tuple[str, str], values: Array) -> Array:
    """Return (n, inputs): own lags, fewer of the bay's other quantities, weather and machines, the hour."""
    bay, own = unit[0], ".".join(unit)
    names = [f"{bay}.{kind}" for kind in ("air_c", "humidity_pct", "part_c")]
    names = [name for name in (*names, *_OUTSIDE, *_MACHINES) if name in history.columns and name != own]
    others = [filled(history.columns[name], name) for name in names]
    for place in (bay, "outdoor"):
        pair = [f"{place}.air_c", f"{place}.humidity_pct"]
        if all(name in history.columns for name in pair):
            air_c, humidity_pct = (filled(history.columns[name], name) for name in pair)
            others.append(saturation_pressure_pa(np.clip(air_c, -60.0, 90.0)) * humidity_pct / 100.0)
    columns = [lagged(values, lag) for lag in _OWN_LAGS]
    columns += [lagged(other, lag) for other in others for lag in _OTHER_LAGS]
    turn = 2 * np.pi * (history.times_us % 86_400_000_000) / 86_400_000_000
    columns += [np.sin(turn), np.cos(turn), np.sin(2 * turn), np.cos(2 * turn)]
    return np.stack(columns, axis=1)


def _known(history: History, ahead: int) -> list[Array]:
    """Return what is known of the target's time and the hours before it, in columns."""
    count = len(history)
    columns = []
    for name, known in history.ahead.items():
        full = np.full(count + AHEAD_STEPS, np.nan)
        full[: len(known)] = known[: len(full)]
        now = filled(history.columns[name], name)
        columns.append(full[ahead : ahead + count, None] - now[:, None])
        spans = (ahead, *_BEFORE_TARGET_STEPS)
        columns += [_mean_to(full, ahead, span, count)[:, None] - now[:, None] for span in spans]
    return columns


def _mean_to(values: Array, ahead: int, span: int, count: int) -> Array:
    """Return the mean of what is known of the `span` steps up to the target, by origin."""
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    ends = np.arange(count) + ahead + 1
    starts = np.maximum(0, ends - span)
    heard = counts[ends] - counts[starts]
    return np.where(heard > 0, (sums[ends] - sums[starts]) / np.maximum(heard, 1), np.nan)


def mixed(spoken: Array, measured: Array) -> Array:
    """Return the bar to beat (horizons, n): weights 1/MAE² of the last ten days' matured errors."""
    points = np.full(spoken.shape[1:], np.nan)
    for place, hours in enumerate(HORIZONS_H):
        voices = spoken[:, place]
        mean, count = _matured(np.abs(voices - lagged(measured, -2 * hours)), 2 * hours)
        heard = (count >= DAY_STEPS // 2) & np.isfinite(voices)
        weight = np.where(heard, np.maximum(np.nan_to_num(mean, nan=1.0), 1e-9) ** -2.0, 0.0)
        weight = np.where(weight.sum(axis=0) > 0, weight, np.isfinite(voices))
        points[place] = (weight * np.nan_to_num(voices)).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-300)
    return points


def _matured(errors: Array, ahead: int) -> tuple[Array, Array]:
    """Return mean and count, by origin, of the last ten days' errors that had been measured by then."""
    known = np.isfinite(errors)
    edge = np.zeros((len(errors), 1))
    total = np.hstack([edge, np.cumsum(np.where(known, errors, 0.0), axis=1)])
    counted = np.hstack([edge, np.cumsum(known, axis=1)])
    ends = np.maximum(0, np.arange(errors.shape[1]) - ahead + 1)
    starts = np.maximum(0, ends - _MIX_STEPS)
    count = counted[:, ends] - counted[:, starts]
    summed = total[:, ends] - total[:, starts]
    return np.where(count > 0, summed / np.maximum(count, 1), np.nan), count
