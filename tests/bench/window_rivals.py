"""What anyone would try first: odds that a job holds, by a classifier and by plain paths.

Both know only what had been measured at the start asked about, and are fitted again each
week. They are the bar that `forecast.window` is measured against, so they get the care a
practitioner would give them and nothing of ours.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from forecast.past import DAY_STEPS, Array, History, filled

Steps = npt.NDArray[np.int64]

_LAGS = (0, 1, 2, 3, 4, 6, 8, 12, 18, 24, 36, 48)
_WEATHER_LAGS = (0, 4, 12, 24, 48)
_WEEK_STEPS = 7 * DAY_STEPS
_LEAST_ROWS = 150
_RIDGE_PENALTY = 10.0
_POOL_DAYS = 28
_NEAR_STEPS = 3  # 90 minutes


def lags_and_weather(history: History, bay: str) -> Array:
    """Return (n, inputs): the bay, the outdoors and the machines with lags, and the hour."""
    columns = []
    for name, values in history.columns.items():
        own = name in {f"{bay}.air_c", f"{bay}.humidity_pct"}
        if not own and not name.startswith(("outdoor.", "heater.", "vent.", "lamp.")):
            continue
        if "forecast" in name:
            continue
        whole = filled(values, name)
        columns += [
            np.concatenate([np.full(lag, whole[0]), whole[: len(whole) - lag]])
            for lag in (_LAGS if own else _WEATHER_LAGS)
        ]
    turn = history.times_us % 86_400_000_000 * (2 * np.pi / 86_400_000_000)
    columns += [np.sin(turn), np.cos(turn), np.sin(2 * turn), np.cos(2 * turn)]
    return np.stack(columns, axis=1)


def refits(starts: Steps) -> list[tuple[int, Steps]]:
    """Return (step of the fit, starts that it answers), a week at a time."""
    first = int(starts[0])
    week = (starts - first) // _WEEK_STEPS
    return [(first + int(one) * _WEEK_STEPS, starts[week == one]) for one in np.unique(week)]


def classifier_odds(inputs: Array, held: Array, starts: Steps, job_steps: int) -> Array:
    """Return gradient boosting's odds at `starts` that a job holds; `held` (n,) is the truth."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    odds = np.full(len(starts), np.nan)
    for fit_at, mine in refits(starts):
        rows = np.arange(DAY_STEPS, fit_at - job_steps)
        rows = rows[np.isfinite(held[rows])]
        place = np.searchsorted(starts, mine)
        if len(rows) < _LEAST_ROWS or len(np.unique(held[rows])) == 1:
            odds[place] = held[rows].mean() if len(rows) else 0.5
            continue
        model = HistGradientBoostingClassifier(random_state=0)
        model.fit(inputs[rows], held[rows] > 0)
        odds[place] = model.predict_proba(inputs[mine])[:, 1]
    return odds


def plain_path_odds(
    inputs: Array,
    values: Sequence[Array],
    limits: Sequence[tuple[float, float]],
    starts: Steps,
    job_steps: int,
) -> Array:
    """Return the share of plain paths that hold: a ridge per half hour, and whole residual vectors.

    `limits` gives (sign, limit) for each of `values`: it holds where sign * (value - limit) >= 0.
    """
    odds = np.full(len(starts), np.nan)
    for fit_at, mine in refits(starts):
        courses = [_ridges(inputs, one, fit_at, job_steps) for one in values]
        for place, start in zip(np.searchsorted(starts, mine), mine, strict=True):
            days = np.arange(1, _POOL_DAYS + 1)[:, None] * DAY_STEPS
            pool = (start - days + np.arange(-_NEAR_STEPS, _NEAR_STEPS + 1)).ravel()
            pool = pool[(pool >= DAY_STEPS) & (pool + job_steps <= start)]
            holds = np.ones(len(pool), dtype=bool)
            for course, one, (sign, limit) in zip(courses, values, limits, strict=True):
                ahead = pool[:, None] + np.arange(job_steps + 1)
                path = course[start] + (one[ahead] - course[pool])
                holds &= (sign * (path - limit) >= 0).all(axis=1)
            odds[place] = holds.mean() if len(pool) else np.nan
    return odds


def _ridges(inputs: Array, values: Array, fit_at: int, job_steps: int) -> Array:
    """Return (n, 1 + job_steps): the value now, and a ridge's forecast of each half hour after it."""
    mean, scale = inputs[:fit_at].mean(axis=0), inputs[:fit_at].std(axis=0) + 1e-9
    standard = np.clip((inputs - mean) / scale, -6, 6)
    course = np.empty((len(values), job_steps + 1))
    course[:, 0] = values
    for ahead in range(1, job_steps + 1):
        rows = np.arange(DAY_STEPS, fit_at - ahead)
        change = values[rows + ahead] - values[rows]
        known = standard[rows]
        centre = known.mean(axis=0)
        gram = (known - centre).T @ (known - centre) + _RIDGE_PENALTY * np.eye(known.shape[1])
        slopes = np.linalg.solve(gram, (known - centre).T @ (change - change.mean()))
        course[:, ahead] = values + (standard - centre) @ slopes + change.mean()
    return course
