"""Rivals' forecasts alone, made once and kept: ``python -m tests.bench.rivals_kept --kept FOLDER``.

`tests.bench.forecast_skill` makes what it does not find there. The key of what is kept is the data and
the rivals' own code, never ours.
"""

import argparse
import os
import time
import warnings
from functools import partial
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from forecast.hindcast import Weather, knowing
from forecast.past import Array, History, read_csv
from tests.bench import arima, rivals
from tests.bench.skill_kept import FOLDER, kept, key
from tests.bench.skill_sets import DATA, SETS, Task, tasks


def read(task: Task) -> History:
    """Return the readings, and what of their future may be known."""
    return knowing(read_csv(DATA / f"{task.name}.csv.gz"), Weather(task.weather), task.programme)


def plain(folder: Path, task: Task, history: History) -> Array:
    """Return what the plain four say (`rivals.NAMES`, horizons, n), kept from a run before or made."""
    start = history.index(SETS[task.name][1])
    name = f"{task.file}-plain-{key(DATA / f'{task.name}.csv.gz', (rivals,), task, start)}"

    def make() -> dict[str, Array]:
        with threadpool_limits(1):
            spoken = rivals.said(history, task.unit, start)
        return {"said": spoken.astype(np.float32)}  # half the disk, and finer than any sensor

    return kept(folder, name, make)["said"].astype(np.float64)


def auto_arima(folder: Path, task: Task, history: History) -> Array | None:
    """Return what AutoARIMA says (horizons, n), kept or made; None where statsforecast is missing."""
    start = history.index(SETS[task.name][1])
    name = f"{task.file}-arima-{key(DATA / f'{task.name}.csv.gz', (arima,), task.unit, start)}"
    if find_spec("statsforecast") is None and not (folder / f"{name}.npz").exists():
        print("statsforecast is not installed: no AutoARIMA row (pip install -e '.[bench]')")
        return None
    measured = history.columns[".".join(task.unit)]
    steps = np.arange(start, len(history), 2)
    make = partial(arima.said, measured, steps, rivals.HORIZONS_H)
    return kept(folder, name, lambda: {"said": make()})["said"]


def main() -> None:
    """Make all that is missing: first the plain ones, then AutoARIMA, then those that know the weather."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sets", nargs="*", help=f"of {', '.join(SETS)}; all without")
    parser.add_argument("--kept", type=Path, default=FOLDER)
    given = parser.parse_args()
    os.environ["OMP_NUM_THREADS"] = "1"
    warnings.simplefilter("ignore")
    every = [task for task in tasks(given.sets) if "column" not in task.weather]
    work = [("plain", task) for task in every if not task.knows]
    work += [("AutoARIMA", task) for task in every if not task.knows]
    work += [("plain", task) for task in every if task.knows]
    for done, (kind, task) in enumerate(work, start=1):
        began_s = time.process_time()
        if kind == "plain":
            plain(given.kept, task, read(task))
        else:
            auto_arima(given.kept, task, read(task))
        spent_s = time.process_time() - began_s
        print(f"{done} of {len(work)}: {kind}, {task.title}: {spent_s:.0f} s of CPU", flush=True)


if __name__ == "__main__":
    main()
