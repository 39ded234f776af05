"""Forecast error beside every baseline, on measured air: ``python -m tests.bench.forecast_skill [SET …]``.

All rows come from one run over the same hourly origins with the same information (nothing of
the outdoors after the origin, unless ``--weather perfect``). The `plain mix` is what a data
scientist would reach for: persistence, same hour yesterday, ridge and boosting on plain lags
and weather, weighed by 1/MAE² of the last ten days' matured errors. Each greenhouse is run
once more with its thermostat programme known ahead. `perfect odds` is the worst week that a
perfectly calibrated range would show on average, errors lasting as long as ours.

Constants were chosen on `TUNED`; all other sets were held back.
"""

import argparse
import os
import time
import warnings
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path
from statistics import NormalDist

import numpy as np
from threadpoolctl import threadpool_limits

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

DATA = Path(__file__).parent.parent / "data"
# The weeks over which each set is scored.
SETS = {
    "greenhouse_reference": (("bay",), datetime(2022, 2, 15, tzinfo=UTC)),
    "greenhouse_cva": (("bay",), datetime(2022, 2, 15, tzinfo=UTC)),
    "greenhouse_koala": (("bay",), datetime(2022, 2, 15, tzinfo=UTC)),
    "house_valencia": (("dining", "room"), datetime(2012, 3, 30, tzinfo=UTC)),
    "house_belgium": (
        ("kitchen", "living", "laundry", "office", "bath", "ironing", "teen", "parents", "north_wall"),
        datetime(2016, 2, 22, tzinfo=UTC),
    ),
}
TUNED = {
    ("greenhouse_reference", "bay"),
    *(("house_belgium", bay) for bay in ("kitchen", "laundry", "bath", "north_wall")),
}
PROGRAMME = ("heater.setpoint_c",)
_PLACES = [KNOTS.index(2 * hours) for hours in HORIZONS_H]
_PLAIN = ("persistence", "yesterday", "plain ridge", "boosting")
_JOBS_H = (4, 8)
_WEEK_H = 168
_NEVER_WORSE_RATIO = 1.03


@dataclass(frozen=True)
class Task:
    """One bay and quantity of a set, and what is known ahead."""

    name: str
    unit: Unit
    weather: str = "none"
    programme: tuple[str, ...] = ()
    boosting: bool = True
    arima_origins: int = 0

    @property
    def title(self) -> str:
        """What the table is called."""
        known = f", {', '.join(self.programme)} known" if self.programme else ""
        tuned = "" if (self.name, self.unit[0]) in TUNED else " (held back)"
        return f"{self.name} {'.'.join(self.unit)}{known}{tuned}"


@dataclass(frozen=True)
class Result:
    """Rows of (horizons,) by name, and (jobs, 3) of hours, odds said and whether it held."""

    task: Task
    rows: Mapping[str, Array]
    jobs: Array


def run(task: Task) -> Result:
    """Replay one bay and quantity, and score everybody."""
    warnings.simplefilter("ignore")
    history = knowing(read_csv(DATA / f"{task.name}.csv.gz"), Weather(task.weather), task.programme)
    plan = Plan(history.index(SETS[task.name][1]), len(history))
    first = max(0, plan.start - POOL_DAYS * DAY_STEPS)
    said = replay(history, task.unit, refit_steps(first, plan.end), boosting=task.boosting)
    measured = history.columns[".".join(task.unit)]
    plain = said[[EXPERT_NAMES.index(one) for one in _PLAIN]]
    ours = mixed(said[:-1], measured)
    steps = np.arange(plan.start, plan.end, plan.every_steps)
    rows = {one: _errors(plain[place], measured, steps) for place, one in enumerate(_PLAIN)}
    rows["plain mix"] = _errors(plain_mix(plain, measured), measured, steps)
    if task.arima_origins:
        rows |= arima.rows(measured, ours[_PLACES], steps, HORIZONS_H, task.arima_origins)
    samples, jobs = _drawn(history, task.unit, ours, plan)
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
    random = np.random.default_rng(0)
    rows["perfect odds"] = np.array(
        [perfect_worst_week((lagged(measured, -KNOTS[k]) - ours[k])[steps], random) for k in _PLACES]
    )
    for row, key in (("layday", "mae"), ("cover80", "cover80"), ("worst week", "cover80_worst_week")):
        rows[row] = np.array([found[key] for found in scored], dtype=np.float64)
    return Result(task, rows, jobs)


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
        for hours in _JOBS_H:
            truth = measured[origin : origin + 2 * hours + 1]
            if len(truth) == 2 * hours + 1 and np.isfinite(truth).all():
                holds = (sign * (course[:, : 2 * hours + 1] - limit) >= 0).all(axis=1)
                jobs.append((hours, holds.sum() / PATHS, float((sign * (truth - limit) >= 0).all())))
    return np.array(samples), np.array(jobs).reshape(-1, 3)


def _print_rows(title: str, rows: Mapping[str, Array]) -> None:
    print(f"\n{title}\n{'':14s}" + "".join(f"{hours:>8d} h" for hours in HORIZONS_H))
    for row, values in rows.items():
        print(f"{row:14s}" + "".join(f"{value:10.3f}" for value in values), flush=True)


def _print_reliability(jobs: Array) -> None:
    print("\nReliability of 'it stays within X': odds said, share that held, count")
    for hours in _JOBS_H:
        of = jobs[jobs[:, 0] == hours]
        print(f"  {hours} h: said {of[:, 1].mean():.3f}, held {of[:, 2].mean():.3f}, n {len(of)}")
        for low in np.arange(0, 1, 0.1):
            mine = of[(of[:, 1] >= low) & ((of[:, 1] < low + 0.1) | (low > 0.85))]
            if len(mine):
                said, held = mine[:, 1].mean(), mine[:, 2].mean()
                print(f"    {low:.1f}-{low + 0.1:.1f}: {said:.3f} {held:.3f} {len(mine)}")


def _print_summary(results: Sequence[Result]) -> None:
    """Print each set's mean beside the plain mix, and the worst cells of all."""
    by_set: dict[str, list[Array]] = {}
    for result in results:
        held = "" if (result.task.name, result.task.unit[0]) in TUNED else ", held back"
        by_set.setdefault(result.task.name + held, []).append(
            result.rows["layday"] / result.rows["plain mix"]
        )
    _print_rows(
        "error beside the plain mix", {name[:13]: np.mean(found, axis=0) for name, found in by_set.items()}
    )
    for name, found in by_set.items():
        print(f"  {name}: {np.mean(found):.3f} over {len(found)} bays and quantities")
    ratios = np.array([result.rows["layday"] / result.rows["plain mix"] for result in results])
    naive = np.array(
        [
            result.rows["layday"] / np.minimum(result.rows["persistence"], result.rows["yesterday"])
            for result in results
        ]
    )
    cover = np.array([result.rows["cover80"] for result in results])
    _print_rows(
        "all of it",
        {
            "to plain mix": ratios.mean(axis=0),
            "worst of them": ratios.max(axis=0),
            "to best naive": naive.max(axis=0),
            "cover80": cover.mean(axis=0),
            "lowest cover": cover.min(axis=0),
            "worst week": np.min([result.rows["worst week"] for result in results], axis=0),
            "perfect odds": np.mean([result.rows["perfect odds"] for result in results], axis=0),
            "ours, mean": np.mean([result.rows["worst week"] for result in results], axis=0),
        },
    )
    above = int((naive > _NEVER_WORSE_RATIO).sum())
    print(f"error beside the plain mix: {ratios.mean():.3f}; {above} cells worse than naive by over 3 %")
    _print_reliability(np.concatenate([result.jobs for result in results]))


def _tasks(given: argparse.Namespace) -> list[Task]:
    units = [
        (name, (bay, quantity))
        for name in given.sets
        for bay in SETS[name][0]
        if not given.bays or bay in given.bays
        for quantity in ("air_c", "humidity_pct")
    ]
    tasks = [Task(name, unit, given.weather, (), True, given.arima_origins) for name, unit in units]
    return tasks + [
        Task(name, unit, given.weather, PROGRAMME, boosting=False)
        for name, unit in units
        if name.startswith("greenhouse")
    ]


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sets", nargs="*", default=list(SETS))
    parser.add_argument("--weather", default="none", choices=[one.value for one in Weather])
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--bays", nargs="*")
    parser.add_argument(
        "--arima-origins", type=int, default=0, help="origins for seasonal AutoARIMA, per series"
    )
    given = parser.parse_args()
    began_s = time.monotonic()
    os.environ["OMP_NUM_THREADS"] = "1"  # for the workers: as many of them as cores are at work
    plain: dict[tuple[str, Unit], Result] = {}
    with ProcessPoolExecutor(given.jobs, get_context("spawn"), threadpool_limits, (1,)) as pool:
        for result in pool.map(run, _tasks(given)):
            rows = dict(result.rows)
            if result.task.programme:
                without = plain[result.task.name, result.task.unit].rows["layday"]
                keep = ("layday", "cover80", "worst week")
                rows = {row: rows[row] for row in keep} | {"to without": rows["layday"] / without}
            else:
                plain[result.task.name, result.task.unit] = result
                rows["to plain mix"] = rows["layday"] / rows["plain mix"]
            _print_rows(result.task.title, rows)
    _print_summary(list(plain.values()))
    print(f"\n{(time.monotonic() - began_s) / 60:.1f} min")


if __name__ == "__main__":
    main()
