"""Forecast error beside every baseline, on measured air: ``python -m tests.bench.forecast_skill [SET …]``.

All rows come from one run over the same hourly origins with the same information: nothing of
the outdoors after the origin. The `plain mix` is what a data
scientist would reach for: persistence, same hour yesterday, ridge and boosting on plain lags
and weather, weighed by 1/MAE² of the last ten days' matured errors (`rivals`). Seasonal AutoARIMA is
`arima`. Each greenhouse is run once more with its thermostat programme known ahead, and
each set with its weather, which the plain mix then knows too. `perfect odds` is the worst week that a
perfectly calibrated range would show on average, errors lasting as long as ours.

Constants were chosen on `skill_sets.TUNED`; all other sets were held back. What is done is kept in
``build/bench-forecast`` (or ``--kept FOLDER``) and a run goes on where the last one stopped; changed data
or code is run anew, rivals only where theirs has changed (`rivals_kept` makes them alone).
"""

import argparse
import os
import sys
import time
import warnings
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from statistics import NormalDist

import numpy as np
from threadpoolctl import threadpool_limits

from forecast import (
    _sonntag,
    air,
    amends,
    baselines,
    experts,
    features,
    forecaster,
    past,
    paths,
    scores,
    spread,
    trees,
    weighing,
)
from forecast.amends import amended
from forecast.baselines import lagged, same_hour
from forecast.experts import KNOTS, replay
from forecast.forecaster import refit_steps
from forecast.hindcast import HORIZONS_H, Plan
from forecast.past import DAY_STEPS, Array, History, Times
from forecast.paths import PATHS, Unit, between_knots, possible, template_ranks
from forecast.scores import score
from forecast.spread import POOL_DAYS, Spread
from forecast.weighing import mixed
from tests.bench import rivals, rivals_kept
from tests.bench.skill_kept import FOLDER, kept, key
from tests.bench.skill_sets import DATA, SETS, SHORT, Result, Task, tasks
from tests.bench.skill_tables import JOBS_H, print_known, print_rows, print_summary

_PLACES = [KNOTS.index(2 * hours) for hours in HORIZONS_H]
_WEEK_H = 168
_SPEAKING = (_sonntag, air, baselines, experts, features, past, forecaster, trees)
_WEIGHING = (weighing, amends, spread, paths, scores)


def run(task: Task, folder: Path, *, with_arima: bool = True) -> Result:
    """Replay one bay and quantity and score everybody, or find it kept from a run before."""
    history = rivals_kept.read(task)
    start = history.index(SETS[task.name][1])
    data = DATA / f"{task.name}.csv.gz"
    made_by = (*_SPEAKING, *_WEIGHING, sys.modules[__name__])
    ours = kept(
        folder, f"{task.file}-ours-{key(data, made_by, task, start)}", partial(_ours, task, history, folder)
    )
    measured, steps = history.columns[".".join(task.unit)], np.arange(start, len(history), 2)
    beside: dict[str, Array] = {}
    if task.weather != "column":
        plain = rivals_kept.plain(folder, task, history)
        named = {**dict(zip(rivals.NAMES, plain, strict=True)), "plain mix": rivals.mixed(plain, measured)}
        if (
            with_arima
            and not task.knows
            and (said := rivals_kept.auto_arima(folder, task, history)) is not None
        ):
            named["AutoARIMA"] = said
        beside = {name: _errors(points, measured, steps) for name, points in named.items()}
    rows = {name: values for name, values in ours.items() if name != "jobs"}
    return Result(task, beside | rows, ours["jobs"])


def _ours(task: Task, history: History, folder: Path) -> Mapping[str, Array]:
    warnings.simplefilter("ignore")
    plan = Plan(history.index(SETS[task.name][1]), len(history))
    first = max(0, plan.start - POOL_DAYS * DAY_STEPS)

    def speak() -> Mapping[str, Array]:
        said = replay(history, task.unit, refit_steps(first, plan.end))
        return {"said": said.astype(np.float32)}  # half the disk, and finer than any sensor

    name = f"{task.file}-said-{key(DATA / f'{task.name}.csv.gz', _SPEAKING, task, plan)}"
    measured = history.columns[".".join(task.unit)]
    mix = mixed(kept(folder, name, speak)["said"].astype(np.float64), measured)
    points = amended(mix, measured, history.times_us)
    steps = np.arange(plan.start, plan.end, plan.every_steps)
    samples, jobs = _drawn(history, task.unit, points, plan)
    rows = _scored(history, measured, samples, steps) | {"jobs": jobs}
    random = np.random.default_rng(0)
    errors = [(lagged(measured, -KNOTS[place]) - points[place])[steps] for place in _PLACES]
    rows["perfect odds"] = np.array([perfect_worst_week(one, random) for one in errors])
    return rows


def _scored(history: History, measured: Array, samples: Array, steps: Times) -> dict[str, Array]:
    scored = [
        score(
            samples[:, place],
            lagged(measured, -KNOTS[knot])[steps],
            history.times_us[steps],
            measured[steps],
            same_hour(measured, KNOTS[knot])[steps],
        )
        for place, knot in enumerate(_PLACES)
    ]
    names = {"layday": "mae", "crps": "crps", "cover80": "cover80", "width80": "width80"}
    names["worst week"] = "cover80_worst_week"
    return {row: np.array([one[name] for one in scored], dtype=np.float64) for row, name in names.items()}


def perfect_worst_week(errors: Array, random: np.random.Generator, draws: int = 50) -> float:
    """Return the mean worst week of perfectly calibrated 80 % ranges whose errors last as long as these.

    `errors` (hours,) one per hour. Their normal scores get random phases, which keeps how long
    they last and makes everything else alike (Theiler et al. 1992, doi 10.1016/0167-2789(92)90102-S).
    """
    known = errors[np.isfinite(errors)]
    ranks = (np.argsort(np.argsort(known)) + 0.5) / len(known)
    waves = np.fft.rfft(np.array([NormalDist().inv_cdf(rank) for rank in ranks]))
    edge = NormalDist().inv_cdf(0.9)
    worst = []
    for _ in range(draws):
        turned = waves * np.exp(2j * np.pi * random.random(len(waves)))
        inside = np.abs(np.fft.irfft(turned, len(known))) < edge
        weeks = [inside[start : start + _WEEK_H] for start in range(0, len(inside), _WEEK_H)]
        worst.append(min((week.mean() for week in weeks if len(week) >= DAY_STEPS), default=np.nan))
    return float(np.mean(worst))


def _errors(points: Array, measured: Array, steps: Times) -> Array:
    """Return the mean errors by horizon of what was said (horizons, n) by origin."""
    truths = [lagged(measured, -2 * hours) for hours in HORIZONS_H]
    off = [np.abs(said - truth)[steps] for said, truth in zip(points, truths, strict=True)]
    return np.array([np.nanmean(one) if np.isfinite(one).any() else np.nan for one in off])


def _drawn(history: History, unit: Unit, points: Array, plan: Plan) -> tuple[Array, Array]:
    """Return samples (origins, horizons, paths) and (jobs, 3) of hours, odds and whether it held."""
    measured = history.columns[".".join(unit)]
    spread = Spread(unit[1], points, measured)
    sign = 1.0 if unit[1] == "air_c" else -1.0
    limit = np.nanquantile(measured, 0.35 if sign > 0 else 0.65)
    samples, jobs = [], []
    first = max(0, plan.start - POOL_DAYS * DAY_STEPS)
    for origin in range(first + (plan.start - first) % 2, plan.end, 2):
        pool = spread.follow(origin)
        if origin < plan.start:
            continue
        odds = template_ranks({unit: spread.errors}, origin, np.random.default_rng(origin))[unit]
        drawn = possible(unit[1], points[:, origin][:, None] + pool.at(odds))
        samples.append(drawn[_PLACES])
        past = measured[max(0, origin - 8 * DAY_STEPS) : origin + 1]
        if (origin - plan.start) % 6 or not np.isfinite(past).all():
            continue
        course = between_knots(drawn, past)
        for hours in JOBS_H:
            truth = measured[origin : origin + 2 * hours + 1]
            if len(truth) == 2 * hours + 1 and np.isfinite(truth).all():
                holds = (sign * (course[:, : 2 * hours + 1] - limit) >= 0).all(axis=1)
                jobs.append((hours, holds.sum() / PATHS, float((sign * (truth - limit) >= 0).all())))
    return np.array(samples), np.array(jobs).reshape(-1, 3)


def _print_result(result: Result, without: Mapping[tuple[str, Unit], Result]) -> None:
    """Print the rows of one task as soon as it is done; what is known ahead beside what is not."""
    rows = dict(result.rows)
    if "plain mix" in rows:
        rows["to plain mix"] = rows["layday"] / rows["plain mix"]
    if result.task.knows:
        del rows["perfect odds"]
        rows["to without"] = rows["layday"] / without[result.task.name, result.task.unit].rows["layday"]
    print_rows(result.task.title, rows)


def main() -> None:
    """Print the tables: each series when it is done, all of them together at the end."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sets", nargs="*", help=f"of {', '.join(SETS)}; all without")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--bays", nargs="*", default=())
    parser.add_argument("--quick", action="store_true", help="four bays, no AutoARIMA")
    parser.add_argument("--no-arima", dest="arima", action="store_false", help="an hour less, the first time")
    parser.add_argument("--kept", type=Path, default=FOLDER, help="where what is done is kept")
    given = parser.parse_args()
    began_s = time.monotonic()
    os.environ["OMP_NUM_THREADS"] = "1"  # for the workers: as many of them as cores are at work
    work = partial(run, folder=given.kept, with_arima=given.arima and not given.quick)
    plain: dict[tuple[str, Unit], Result] = {}
    known: list[Result] = []
    with ProcessPoolExecutor(given.jobs, get_context("spawn"), threadpool_limits, (1,)) as pool:
        for result in pool.map(work, tasks(given.sets, given.bays, quick=given.quick)):
            if result.task.knows:
                known.append(result)
            else:
                plain[result.task.name, result.task.unit] = result
            _print_result(result, plain)
    if long := [one for one in plain.values() if one.task.name not in SHORT]:
        print_summary(long)
    print_known(known, plain)
    print(f"\n{(time.monotonic() - began_s) / 60:.1f} min")


if __name__ == "__main__":
    main()
