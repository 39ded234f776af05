"""The air of the next two hours where a heater gives more or less instead of switching: learned, not stepped.

A pipe of hot water obeys a controller whose rules nobody tells, so there is no thermostat to step. A
ridge and trees, half each, are shown how everything has changed of late, yesterday's course, the
programme, and the weather of those hours where it is forecast. By how much both were off in days that
they had not seen, whole courses of it at the same time of day, is how far the air may stray.
"""

from dataclasses import dataclass

import numpy as np

from forecast.baselines import lagged, running_mean
from forecast.climate_fit import outside_filled, whole
from forecast.climate_past import Array, ClimatePast, Times
from forecast.ridge import Ridge, fit_ridge
from forecast.trees import Forest, planted

NEAR_STEP_S = 300
NEAR_STEPS = 24
NEAR_LEARN_DAYS = 14
"""More past tells of another season; on measured glasshouses ten days do as well as all."""
NEAR_LEAST_DAYS = 7
_DAY = 86_400 // NEAR_STEP_S
_DAY_US = 86_400_000_000
_OWN_LAGS = (1, 2, 3, 4, 6, 9, 12, 18, 24, 36)
_OTHER_LAGS = (3, 6, 12, 24)
_AHEAD = (3, 6, 9, 12, 18, 24)
_PENALTY = 30.0
_EVERY = 2
"""Every second step is learned from: neighbours tell the same."""
_HELD_BACK = 4
"""One part in so many of the past, the newest, is not seen by the fits whose errors are the spread."""
_SAME_TIME_STEPS = 48
_WIDER = 1.2
"""A fortnight's last days are not all that may come: chosen on three measured glasshouses."""
_LEAST_COURSES = 30


@dataclass(frozen=True, slots=True)
class NearAhead:
    """What is known of the next two hours: the programme, and outdoor air, sun and wind if forecast.

    All are (`NEAR_STEPS`,); NaN in `setpoint_c` where nobody knows.
    """

    setpoint_c: Array
    weather: tuple[Array, Array, Array] | None


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """What was learned of one bay, and the past that it speaks from, which may have grown since.

    `errors_k` (m, `NEAR_STEPS`) are courses that were off, made at the steps of the day `slots` (m,).
    """

    past: ClimatePast
    place: int
    knows_weather: bool
    ridge: Ridge
    forest: Forest
    scale_k: Array
    errors_k: Array
    slots: Times


def learn_near(past: ClimatePast, place: int, *, knows_weather: bool) -> Near | None:
    """Return what a past tells of the two hours after a moment: a second or two of one core.

    Parameters
    ----------
    past : ClimatePast
        On steps of `NEAR_STEP_S`; a fortnight is enough.
    place : int
        The bay, by its place in `past.bays`.
    knows_weather : bool
        Whether the weather ahead will be known when it is asked.

    Returns
    -------
    Near or None
        None with less than a week of readings.

    Raises
    ------
    ValueError
        If the past is on other steps.
    """
    if past.step_s != NEAR_STEP_S:
        raise ValueError(f"the past must be on steps of {NEAR_STEP_S} s, not {past.step_s} s")
    nothing = np.full(NEAR_STEPS, np.nan)
    ahead = NearAhead(nothing, (nothing, nothing, nothing) if knows_weather else None)
    inputs, changes = _inputs(past, place, ahead), _changes(past.air_c[place])
    known = np.flatnonzero(np.isfinite(changes).all(axis=1))
    known = known[known >= _DAY]
    if len(known) < (NEAR_LEAST_DAYS - 1) * _DAY:
        return None
    split = len(known) - len(known) // _HELD_BACK
    # A course that reaches into the days held back has seen them.
    ridge, forest, scale_k = _fitted(inputs, changes, known[: split - NEAR_STEPS])
    unseen = known[split:]
    errors_k = changes[unseen] - _said(ridge, forest, scale_k, inputs[unseen])
    ridge, forest, scale_k = _fitted(inputs, changes, known)
    slots = _slots(past.times_us[unseen])
    return Near(past, place, knows_weather, ridge, forest, scale_k, errors_k, slots)


def near_paths(near: Near, ahead: NearAhead, paths: int, seed: int = 0) -> Array:
    """Return courses of the air after the end of the past [°C], (paths, `NEAR_STEPS`).

    Each is the mean of the quarter of an hour about the end of its step, as a thermometer shows it.

    Parameters
    ----------
    near : Near
    ahead : NearAhead
        With weather if `near` was learned with it.
    paths : int
    seed : int, optional
        The same seed and past give the same paths.

    Raises
    ------
    ValueError
        If `ahead` knows the weather and `near` does not, or the other way round.
    """
    if near.knows_weather != (ahead.weather is not None):
        raise ValueError("learned with a forecast of the weather and asked without, or the other way round")
    past = near.past
    inputs = _inputs(past, near.place, ahead)[-1:]
    likely = _said(near.ridge, near.forest, near.scale_k, inputs)[0]
    apart = np.abs((near.slots - _slots(past.times_us[-1:]) + _DAY // 2) % _DAY - _DAY // 2)
    pool = np.flatnonzero(apart <= _SAME_TIME_STEPS)
    if len(pool) < _LEAST_COURSES:
        pool = np.arange(len(near.slots))
    drawn = pool[np.random.default_rng([seed, len(past)]).integers(len(pool), size=paths)]
    now_c = whole(past.air_c[near.place], 12.0)[-1]
    return np.asarray(now_c + likely + _WIDER * near.errors_k[drawn])


def _fitted(inputs: Array, changes: Array, rows: Times) -> tuple[Ridge, Forest, Array]:
    rows = rows[::_EVERY]
    scale_k = changes[rows].std(axis=0) + 1e-9
    forest = planted(inputs[rows].astype(np.float32), changes[rows] / scale_k)
    return fit_ridge(inputs[rows], changes[rows], _PENALTY), forest, scale_k


def _said(ridge: Ridge, forest: Forest, scale_k: Array, inputs: Array) -> Array:
    """Return the changes said (n, `NEAR_STEPS`): half of each."""
    bent = forest.predict(inputs.astype(np.float32)) * scale_k
    return np.asarray((ridge.say(inputs) + bent) / 2.0)


def _changes(air_c: Array) -> Array:
    """Return by how much the air differs, up to two hours later, from what it is (n, `NEAR_STEPS`)."""
    shown_c = (lagged(air_c, 1) + air_c + lagged(air_c, -1)) / 3.0
    return np.stack([lagged(shown_c, -step) - air_c for step in range(1, NEAR_STEPS + 1)], axis=1)


def _inputs(past: ClimatePast, place: int, ahead: NearAhead) -> Array:
    """Return (n, inputs): what was known at the end of each step; `ahead` is what is known at the last."""
    own = whole(past.air_c[place], 12.0)
    columns = [own - lagged(own, lag) for lag in _OWN_LAGS]
    columns.append(own - running_mean(own, _DAY))
    columns += [lagged(own, _DAY - step) - lagged(own, _DAY) for step in _AHEAD]
    out_c, sun_w_m2, wind_m_s = outside_filled(past)
    setpoint_c = whole(past.setpoint_c, float(own.mean()))
    others = [row for bay, row in enumerate(past.air_c) if bay != place]
    warm = [out_c, setpoint_c, whole(past.pipe_c, float(own.mean()))]
    # What is not measured goes as the bay does, so that a sensor may come later.
    warm += [whole(row, 12.0) if np.isfinite(row).any() else own for row in [*others, *past.part_c]]
    plain = [sun_w_m2, wind_m_s, whole(past.humidity_pct[place], 70.0)]
    for values, level in [(one, one - own) for one in warm] + [(one, one) for one in plain]:
        columns += [level, *(values - lagged(values, lag) for lag in _OTHER_LAGS)]
    columns += _coming(setpoint_c, ahead.setpoint_c)
    if ahead.weather is not None:
        for values, later in zip((out_c, sun_w_m2, wind_m_s), ahead.weather, strict=True):
            columns += _coming(values, later)
    turn = past.times_us % _DAY_US * (2 * np.pi / _DAY_US)
    columns += [np.sin(turn), np.cos(turn), np.sin(2 * turn), np.cos(2 * turn)]
    return np.nan_to_num(np.stack(columns, axis=1))


def _coming(values: Array, later: Array) -> list[Array]:
    """Return by how much a column will have changed by some steps ahead; beyond what is known, by nothing."""
    known = np.concatenate([values, whole(later, float(values[-1]))])
    return [(lagged(known, -step) - known)[: len(values)] for step in _AHEAD]


def _slots(times_us: Times) -> Times:
    """Return the step of the day of each time."""
    found: Times = times_us // (NEAR_STEP_S * 1_000_000) % _DAY
    return found
