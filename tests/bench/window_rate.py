"""How long the windows of a yard take: ``python -m tests.bench.window_rate``."""

import time

import numpy as np

from collector.clock import from_us
from forecast.card import Stage
from forecast.card_files import find_card
from forecast.job import Job, JobLimits
from forecast.paths import PATHS, Forecast
from forecast.window import windows

_BAYS, _STEPS, _ROUNDS = 20, 432, 5
_STEP_US = 600_000_000


def yard() -> Forecast:
    """Return paths of a daily course with a wandering part, for every bay."""
    random = np.random.default_rng(0)
    hours = np.arange(_STEPS) / 6.0
    course = 18.0 + 5.0 * np.sin(hours * 2.0 * np.pi / 24.0)
    paths = {}
    for bay in range(_BAYS):
        for quantity, level, step in (
            ("air_c", course, 0.05),
            ("part_c", course, 0.05),
            ("humidity_pct", 65.0, 0.5),
        ):
            wandering = level + step * random.standard_normal((PATHS, _STEPS)).cumsum(axis=1)
            paths[f"bay{bay}", quantity] = np.clip(wandering, 0.0, 100.0)
    return Forecast(from_us(0), _STEP_US * np.arange(_STEPS, dtype=np.int64), paths)


def main() -> None:
    """Print the best of some rounds, in wall and in processor time."""
    ester, epoxy = find_card("generic-vinyl-ester"), find_card("generic-epoxy-slow")
    jobs = [
        Job("plies", 180.0, 60.0, ester, layers=3, stage=Stage.SANDABLE, within_h=14.0),
        Job("fillet", 90.0, card=ester, catalyst_pct=1.5, layers=2, limits=JobLimits(part_min_c=16.0)),
        Job("skin", 120.0, 30.0, epoxy, layers=2, stage=Stage.HANDLING, within_h=30.0),
    ]
    forecast = yard()
    bays = [f"bay{bay}" for bay in range(_BAYS)]
    rounds = []
    for _ in range(_ROUNDS):
        wall_s, used_s = time.perf_counter(), time.process_time()
        found = windows(forecast, jobs, bays)
        rounds.append((time.perf_counter() - wall_s, time.process_time() - used_s))
    wall_s, used_s = min(rounds)
    starts = sum(len(one.starts) for one in found if one.starts is not None)
    print(f"{_BAYS} bays x {len(jobs)} jobs, {starts} starts x {PATHS} paths:", end=" ")
    print(f"{wall_s:.2f} s, {used_s:.2f} s of processor")


if __name__ == "__main__":
    main()
