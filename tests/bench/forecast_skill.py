"""Forecast error beside every baseline, on measured air: ``python -m tests.bench.forecast_skill [SET …]``.

All rows come from one run over the same hourly origins with the same information: nothing of
the outdoors after the origin. The `plain mix` is what a data
scientist would reach for: persistence, same hour yesterday, ridge and boosting on plain lags
and weather, weighed by 1/MAE² of the last ten days' matured errors. Seasonal AutoARIMA speaks on some
series (`arima`). Each greenhouse is run once more with its thermostat programme known ahead, and
each set with its weather. `perfect odds` is the worst week that a
perfectly calibrated range would show on average, errors lasting as long as ours.

Constants were chosen on `skill_sets.TUNED`; all other sets were held back. What is done is kept in
``build/bench-forecast`` and a run goes on where the last one stopped; changed data or code is run anew.
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
from statistics import NormalDist

import numpy as np
from threadpoolctl import threadpool_limits

from forecast import (
    _sonntag,
    air,
    baselines,
    experts,
    features,
    forecaster,
    past,
    paths,
    scores,
    spread,
    weighing,
)
from forecast.baselines import lagged, same_hour
from forecast.experts import EXPERT_NAMES, KNOTS, replay
from forecast.forecaster import refit_steps
from forecast.hindcast import HORIZONS_H, Plan, Weather, knowing
from forecast.past import DAY_STEPS, Array, History, Times, read_csv
from forecast.paths import PATHS, Unit, between_knots, possible, template_ranks
from forecast.scores import score
from forecast.spread import POOL_DAYS, Spread
from forecast.weighing import matured_means, mixed
from tests.bench import arima
from tests.bench.skill_kept import kept, key
from tests.bench.skill_sets import DATA, PROGRAMME, QUICK, SETS, WITH_ARIMA, Result, Task
from tests.bench.skill_tables import JOBS_H, print_rows, print_summary, print_worth

_PLACES = [KNOTS.index(2 * hours) for hours in HORIZONS_H]
_PLAIN = ("persistence", "yesterday", "plain ridge", "boosting")
_WEEK_H = 168
_SPEAKING = (_sonntag, air, baselines, experts, features, past, forecaster)
_WEIGHING = (weighing, spread, paths, scores, arima)


def run(task: Task) -> Result:
    """Replay one bay and quantity and score everybody, or find it kept from a run before."""
    name = "-".join((task.name, *task.unit, task.weather, *task.programme))
    data = DATA / f"{task.name}.csv.gz"
    made_by = (*_SPEAKING, *_WEIGHING, sys.modules[__name__])
    rows = dict(kept(f"{name}-rows-{key(data, made_by, task)}", partial(_rows, task, name)))
    return Result(task, rows, rows.pop("jobs"))


def _rows(task: Task, name: str) -> Mapping[str, Array]:
    warnings.simplefilter("ignore")
    data = DATA / f"{task.name}.csv.gz"
    history = knowing(read_csv(data), Weather(task.weather), task.programme)
    plan = Plan(history.index(SETS[task.name][1]), len(history))
    spoken = partial(_spoken, history, task, plan)
    said = kept(f"{name}-said-{key(data, _SPEAKING, task.unit, plan)}", spoken)["said"].astype(np.float64)
    measured = history.columns[".".join(task.unit)]
    ours = mixed(said[:-1], measured)
    steps = np.arange(plan.start, plan.end, plan.every_steps)
    samples, jobs = _drawn(history, task.unit, ours, plan)
    rows = _scored(history, measured, samples, steps) | {"jobs": jobs}
    if task.knows:
        return rows
    plain = said[[EXPERT_NAMES.index(one) for one in _PLAIN]]
    beside = {one: _errors(plain[place], measured, steps) for place, one in enumerate(_PLAIN)}
    beside["plain mix"] = _errors(plain_mix(plain, measured), measured, steps)
    if task.arima:
        beside |= arima.rows(measured, ours[_PLACES], steps, HORIZONS_H)
    random = np.random.default_rng(0)
    errors = [(lagged(measured, -KNOTS[place]) - ours[place])[steps] for place in _PLACES]
    rows["perfect odds"] = np.array([perfect_worst_week(one, random) for one in errors])
    return beside | rows


def _spoken(history: History, task: Task, plan: Plan) -> Mapping[str, Array]:
    """Return what all experts said; boosting, which only the plain mix needs, where that is asked for."""
    first = max(0, plan.start - POOL_DAYS * DAY_STEPS)
    said = replay(history, task.unit, refit_steps(first, plan.end), boosting=not task.knows)
    return {"said": said.astype(np.float32)}  # half the disk, and finer than any sensor


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


def plain_mix(said: Array, measured: Array) -> Array:
    """Return the bar to beat (knots, n): weights 1/MAE² of the last ten days' matured errors."""
    points = np.full(said.shape[1:], np.nan)
    for place, knot in enumerate(KNOTS):
        voices = said[:, place]
        mean, count = matured_means(np.abs(voices - lagged(measured, -knot)), knot, 10 * DAY_STEPS)
        heard = (count >= DAY_STEPS // 2) & np.isfinite(voices)
        weight = np.where(heard, np.maximum(np.nan_to_num(mean, nan=1.0), 1e-9) ** -2.0, 0.0)
        weight = np.where(weight.sum(axis=0) > 0, weight, np.isfinite(voices))
        points[place] = (weight * np.nan_to_num(voices)).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-300)
    return points


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
        worst.append(min(week.mean() for week in weeks if len(week) >= DAY_STEPS))
    return float(np.mean(worst))


def _errors(points: Array, measured: Array, steps: Times) -> Array:
    return np.array(
        [np.nanmean(np.abs(points[knot] - lagged(measured, -KNOTS[knot]))[steps]) for knot in _PLACES]
    )


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


def _tasks(given: argparse.Namespace) -> list[Task]:
    units = [
        (name, (bay, quantity))
        for name in given.sets or SETS
        for bay in SETS[name][0]
        if (not given.bays or bay in given.bays) and (not given.quick or (name, bay) in QUICK)
        for quantity in ("air_c", "humidity_pct")
    ]
    with_arima = WITH_ARIMA if given.arima and not given.quick else set()
    plain = [Task(name, unit, arima=(name, unit[0]) in with_arima) for name, unit in units]
    # the dearest first, so that no worker sits idle at the end
    plain.sort(key=lambda task: (not task.arima, task.name != "house_belgium"))
    known = [Task(name, unit, "none", PROGRAMME) for name, unit in units if name.startswith("greenhouse")]
    known += [Task(name, unit, "perfect") for name, unit in units]
    known += [Task(name, unit, "column") for name, unit in units if name == "house_valencia"]
    return plain + known


def _print_result(result: Result, plain: Mapping[tuple[str, Unit], Result]) -> None:
    """Print the rows of one task as soon as it is done; what is known ahead beside what is not."""
    rows = dict(result.rows)
    if result.task.knows:
        without = plain[result.task.name, result.task.unit].rows["layday"]
        rows = {row: rows[row] for row in ("layday", "cover80", "worst week")}
        rows["to without"] = rows["layday"] / without
    else:
        rows["to plain mix"] = rows["layday"] / rows["plain mix"]
    print_rows(result.task.title, rows)


def main() -> None:
    """Print the tables: each series when it is done, all of them together at the end."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sets", nargs="*", help=f"of {', '.join(SETS)}; all without")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--bays", nargs="*")
    parser.add_argument("--quick", action="store_true", help="four bays, no AutoARIMA")
    parser.add_argument("--no-arima", dest="arima", action="store_false", help="half the time")
    given = parser.parse_args()
    began_s = time.monotonic()
    os.environ["OMP_NUM_THREADS"] = "1"  # for the workers: as many of them as cores are at work
    plain: dict[tuple[str, Unit], Result] = {}
    known: list[Result] = []
    with ProcessPoolExecutor(given.jobs, get_context("spawn"), threadpool_limits, (1,)) as pool:
        for result in pool.map(run, _tasks(given)):
            if result.task.knows:
                known.append(result)
            else:
                plain[result.task.name, result.task.unit] = result
            _print_result(result, plain)
    print_summary(list(plain.values()))
    print_worth(known, plain)
    print(f"\n{(time.monotonic() - began_s) / 60:.1f} min")


if __name__ == "__main__":
    main()
