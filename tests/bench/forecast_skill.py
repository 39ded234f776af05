"""Forecast error beside every baseline, on measured air: ``python -m tests.bench.forecast_skill [SET …]``.

All rows come from one run over the same hourly origins with the same information (nothing of
the outdoors after the origin, unless ``--weather perfect`` or ``--programme``). The `plain
mix` is what a data scientist would reach for: persistence, same hour yesterday, ridge and
boosting on plain lags and weather, weighed by 1/MAE² of the last ten days' matured errors.
"""

import argparse
import warnings
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from forecast.baselines import lagged, same_hour
from forecast.experts import EXPERT_NAMES, KNOTS, replay
from forecast.forecaster import refit_steps
from forecast.hindcast import HORIZONS_H, Plan, Weather, knowing
from forecast.past import DAY_STEPS, Array, History, Times, read_csv
from forecast.paths import PATHS, Unit, between_knots, possible, template_ranks
from forecast.scores import score
from forecast.spread import POOL_DAYS, Spread
from forecast.weighing import mixed

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
_PLACES = [KNOTS.index(2 * hours) for hours in HORIZONS_H]
_PLAIN = ("persistence", "yesterday", "plain ridge", "boosting")
_JOBS_H = (4, 8)


def _one(task: tuple[str, Unit, str, tuple[str, ...]]) -> tuple[str, Unit, dict[str, Array], Array]:
    """Return every row's errors (horizons,), coverage, and the jobs' odds and outcomes."""
    warnings.simplefilter("ignore")
    name, unit, weather, programme = task
    history = knowing(read_csv(DATA / f"{name}.csv.gz"), Weather(weather), programme)
    plan = Plan(history.index(SETS[name][1]), len(history))
    first = max(0, plan.start - POOL_DAYS * DAY_STEPS)
    said = replay(history, unit, refit_steps(first, plan.end), boosting=True)
    measured = history.columns[".".join(unit)]
    plain = said[[EXPERT_NAMES.index(one) for one in _PLAIN]]
    ours = mixed(said[:-1], measured)
    steps = np.arange(plan.start, plan.end, plan.every_steps)
    rows = {one: _errors(plain[place], measured, steps) for place, one in enumerate(_PLAIN)}
    rows["plain mix"] = _errors(mixed(plain, measured, steepness_exponent=2.0), measured, steps)
    samples, jobs = _drawn(history, unit, ours, plan)
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
    for row, key in (("layday", "mae"), ("cover80", "cover80"), ("worst week", "cover80_worst_week")):
        rows[row] = np.array([found[key] for found in scored], dtype=np.float64)
    return name, unit, rows, jobs


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
        print(f"{row:14s}" + "".join(f"{value:10.3f}" for value in values))


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


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sets", nargs="*", default=list(SETS))
    parser.add_argument("--weather", default="none", choices=[one.value for one in Weather])
    parser.add_argument(
        "--programme", nargs="*", default=[], help="columns known ahead, as heater.setpoint_c"
    )
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--bays", nargs="*")
    given = parser.parse_args()
    tasks = [
        (name, (bay, quantity), given.weather, tuple(given.programme))
        for name in given.sets
        for bay in SETS[name][0]
        if not given.bays or bay in given.bays
        for quantity in ("air_c", "humidity_pct")
    ]
    ratios, best, jobs = [], [], []
    with ProcessPoolExecutor(given.jobs) as pool:
        for name, unit, rows, held in pool.map(_one, tasks):
            rows["to plain mix"] = rows["layday"] / rows["plain mix"]
            _print_rows(f"{name} {'.'.join(unit)}", rows)
            ratios.append(rows["to plain mix"])
            best.append(rows["layday"] / np.minimum(rows["persistence"], rows["yesterday"]))
            jobs.append(held)
    summary = {
        "to plain mix": np.mean(ratios, axis=0),
        "worst of them": np.max(ratios, axis=0),
        "to best naive": np.max(best, axis=0),
    }
    _print_rows("all sets", summary)
    print(f"error beside the plain mix: {np.mean(ratios):.3f}")
    _print_reliability(np.concatenate(jobs))


if __name__ == "__main__":
    main()
