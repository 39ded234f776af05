"""Heater scenarios on paths: where the air peaks as things go, what it costs a pot, what avoids it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecast.climate import RUN_STEP_S
from forecast.climate_past import Array, ClimatePast
from forecast.climate_run import Course, Shed, Start, Weather, followed, gain_k_w, run, start_at_end
from forecast.heater_state import PEAK_H
from forecast.heater_work import BatchPace, work_min
from forecast.outside_ahead import outside_ahead, unexplained_w

PATHS = 40
AHEAD_H = 4.0
WITHIN_MIN = 5.0
"""How far a work time may be off its plan: what a laminator can make good with a quicker brush."""
_DECIDE_MIN = 4.0  # decided a little more strictly than promised: paths are surer of themselves than a shed
_SURE_ODDS = 0.9
_FIRST_REACHED_K = 0.3
_BIAS_FADE_H = 2.0
_JITTER_K = 0.15
_LOOK_BACK_H = 1.0
_TROUBLE_MIN = 10
_LOWER_K = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0)
_START_EVERY_MIN = 10
_LATEST_START_MIN = 150


@dataclass(frozen=True, slots=True)
class Peak:
    """The highest air of each path, (paths,), and the step at which it is first reached within 0.3 K."""

    peak_c: Array
    step: Array


@dataclass(frozen=True, slots=True)
class Scenario:
    """What somebody does: nothing (`by_step` None), or from a step on another setting (NaN: off)."""

    setpoint_c: float | None = None
    by_step: int | None = None


@dataclass(frozen=True, slots=True)
class Bench:
    """Where the pot is mixed: the bay's place, the pot's pace, and how warm the part must be (None: any)."""

    place: int
    pace: BatchPace
    part_min_c: float | None


@dataclass(frozen=True, slots=True)
class Choice:
    """A scenario with the start that serves it best.

    `odds` is the share of paths on which a batch mixed at `start_step` lasts as planned, within five
    minutes, on a part that is warm enough; `start_step` is None where the part is too cold at every start.
    `worst_lost_min` is what the worst start loses, likely.
    """

    scenario: Scenario
    start_step: int | None
    odds: float
    work_min: float
    peak_c: float
    worst_start_step: int
    worst_work_min: float
    worst_lost_min: float


@dataclass(frozen=True, slots=True)
class Ahead:
    """What is the same for every scenario: where paths begin, their weather, heat that nothing explains."""

    start: Start
    weather: Weather
    extra_w: Array
    jitter_k: Array


def look_ahead(
    shed: Shed, past: ClimatePast, weather: Weather | None, paths: int = PATHS, seed: int = 0
) -> Ahead:
    """Return paths from the end of a past: weather, what the last hour showed, and what may disturb it.

    Parameters
    ----------
    shed : Shed
    past : ClimatePast
    weather : Weather or None
        What may come, however long and on whatever step; None takes the last days' own courses for four
        hours, on the past's step.
    paths : int, optional
    seed : int, optional
        The same seed and past give the same paths.
    """
    near = round(AHEAD_H * 3600 / past.step_s)
    sky = outside_ahead(past, near, paths, seed) if weather is None else weather
    steps = sky.air_c.shape[-1]
    gain = gain_k_w(shed.heat.model)
    extra = unexplained_w(gain, shed.heat.error_k, (paths, steps), sky.step_s, seed)
    # What the last hour was off by goes on, and fades.
    fade = np.exp(-np.arange(steps) * sky.step_s / 3600.0 / _BIAS_FADE_H)
    extra = extra * np.sqrt(1.0 - fade**2) + (lately_w(shed, past, gain)[:, None] * fade)[:, None, :]
    jitter = np.random.default_rng([seed, 3]).standard_normal(paths) * _JITTER_K
    return Ahead(start_at_end(shed, past, paths), sky, extra, jitter)


def lately_w(shed: Shed, past: ClimatePast, gain_k_w: Array) -> Array:
    """Return the heat that would explain the last hour's miss in each bay, in the model's order [W]."""
    back = round(_LOOK_BACK_H * 3600 / past.step_s)
    if len(past) < 3 * back:
        return np.zeros(len(gain_k_w))
    first = len(past) - back
    miss_k = (past.air_c[:, first:] - followed(shed, past, first))[list(shed.heat.order)]
    late = miss_k[:, -max(1, back // 4) :]
    heard = np.isfinite(late)
    mean_k = np.where(heard, late, 0.0).sum(axis=1) / np.maximum(heard.sum(axis=1), 1)
    bound_k = 3.0 * np.nan_to_num(shed.heat.error_k, nan=1.0)
    return np.asarray(np.clip(mean_k, -bound_k, bound_k) / np.maximum(gain_k_w, 1e-9))


def courses(shed: Shed, ahead: Ahead, setpoint_c: Array, scenarios: Sequence[Scenario]) -> list[Course]:
    """Return the course of each scenario, all stepped side by side.

    `setpoint_c` (steps,) is the programme as it stands.
    """
    return courses_under(shed, ahead, [setting_under(scenario, setpoint_c) for scenario in scenarios])


def courses_under(
    shed: Shed, ahead: Ahead, settings_c: Sequence[Array], longest_s: float = RUN_STEP_S
) -> list[Course]:
    """Return the course under each course of the setting, (steps,) each, all stepped side by side.

    No step is longer than `longest_s`.
    """
    paths, many = len(ahead.jitter_k), len(settings_c)
    settings = np.repeat(np.stack(settings_c), paths, axis=0)
    jitter = np.tile(ahead.jitter_k, many)[:, None]
    sky = ahead.weather
    air, sun, wind, vapour = (
        np.tile(rows, (many, 1)) if len(rows) > 1 else rows
        for rows in (sky.air_c, sky.sun_w_m2, sky.wind_m_s, sky.vapour_g_m3)
    )
    weather = Weather(sky.step_s, air, sun, wind, vapour)
    whole = run(
        shed,
        ahead.start.times(many),
        weather,
        settings + jitter,
        np.tile(ahead.extra_w, (1, many, 1)),
        longest_s,
    )
    return [whole.paths(slice(n * paths, (n + 1) * paths)) for n in range(many)]


def setting_under(scenario: Scenario, setpoint_c: Array) -> Array:
    """Return the programme with what somebody does from `by_step` on."""
    if scenario.by_step is None or scenario.setpoint_c is None:
        return setpoint_c
    found = setpoint_c.copy()
    found[scenario.by_step :] = scenario.setpoint_c
    return found


def peak_of(air_c: Array, step_s: float) -> Peak:
    """Return the highest of each path (paths, steps) in the next two hours, and when it is first reached."""
    near = air_c[:, : round(PEAK_H * 3600 / step_s)]
    highest = near.max(axis=1)
    first = np.argmax(near >= highest[:, None] - _FIRST_REACHED_K, axis=1)
    return Peak(highest, first.astype(np.float64))


def candidates(setpoint_c: Array, air_now_c: float, step_s: float) -> tuple[Scenario, ...]:
    """Return what can be done: nothing, a lower setting in ten minutes, or off at one of the next hours."""
    minute = 60.0 / step_s
    soon = round(_TROUBLE_MIN * minute)
    near = setpoint_c[: round(PEAK_H * 3600 / step_s)]
    known = near[np.isfinite(near)]
    top = float(known.max()) if len(known) else air_now_c
    lower = [
        Scenario(round(2.0 * (top - by)) / 2.0, soon) for by in (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 5.0)
    ]
    off = [Scenario(float("nan"), round(wait * minute)) for wait in (10, 30, 60)]
    return (Scenario(), *(lower if len(known) else []), *(off if len(known) else []))


def choices(
    shed: Shed, ahead: Ahead, setpoint_c: Array, scenarios: tuple[Scenario, ...], bench: Bench
) -> list[Choice]:
    """Return each scenario with the start at which a batch best lasts as planned on a part warm enough."""
    return [
        choice_of(scenario, course.air_c[bench.place], course.part_c[bench.place], course.step_s, bench)
        for scenario, course in zip(scenarios, courses(shed, ahead, setpoint_c, scenarios), strict=True)
    ]


def choice_of(scenario: Scenario, air_c: Array, part_c: Array | None, step_s: float, bench: Bench) -> Choice:
    """Return a scenario with the start that serves it best, from courses (paths, steps) of `step_s`.

    `part_c` is None where nothing tells how warm the part will be: then the pot alone decides.
    """
    pace = bench.pace
    every, latest = (round(minutes * 60 / step_s) for minutes in (_START_EVERY_MIN, _LATEST_START_MIN))
    starts = np.arange(every, min(latest, air_c.shape[1] - 1) + 1, every)
    lasts = work_min(pace, air_c, step_s, starts)
    likely = np.median(lasts, axis=0)
    odds = np.mean(np.abs(lasts - pace.plan_min) <= _DECIDE_MIN, axis=0)
    allowed = starts >= (scenario.by_step or 0)
    if bench.part_min_c is not None and part_c is not None:
        odds = odds * np.mean(part_c[:, starts] >= bench.part_min_c, axis=0)
        allowed &= np.median(part_c[:, starts], axis=0) >= bench.part_min_c
    worst = int(np.argmin(likely))
    sure = np.flatnonzero(allowed & (odds >= _SURE_ODDS))
    best = int(sure[0]) if len(sure) else int(np.argmax(np.where(allowed, odds, -1.0)))
    return Choice(
        scenario, int(starts[best]) if allowed.any() else None, float(odds[best]), float(likely[best]),
        float(np.median(peak_of(air_c, step_s).peak_c)),
        int(starts[worst]), float(likely[worst]), max(0.0, pace.plan_min - float(likely[worst])),
    )  # fmt: skip


def best_of(found: list[Choice], pace: BatchPace, step_s: float) -> Choice:
    """Return the choice to advise: to do nothing while that is sure enough, else the soonest sure one.

    Touching the dial must gain ten minutes over waiting, and turning the heater off half an hour, since
    nothing then holds the air; a minute off the plan weighs as five of waiting. None sure: the likeliest.
    """
    keep = found[0]
    found = [choice for choice in found if choice.start_step is not None]
    if not found:
        return keep
    if keep.start_step is not None and keep.odds >= _SURE_ODDS and keep.worst_lost_min < WITHIN_MIN:
        return keep
    sure = [choice for choice in found if choice.odds >= _SURE_ODDS]
    if not sure:
        return max(found, key=lambda choice: choice.odds)

    def cost_min(choice: Choice) -> float:
        setting = choice.scenario.setpoint_c
        effort = 0.0 if setting is None else 30.0 if np.isnan(setting) else 10.0
        return (choice.start_step or 0) * step_s / 60.0 + effort + 5.0 * abs(choice.work_min - pace.plan_min)

    return min(sure, key=cost_min)
