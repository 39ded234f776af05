"""The tables of `tests.bench.forecast_skill`."""

from collections.abc import Mapping, Sequence

import numpy as np

from forecast.hindcast import HORIZONS_H
from forecast.past import Array
from forecast.paths import Unit
from tests.bench.skill_sets import Result

JOBS_H = (4, 8)
_NEVER_WORSE_RATIO = 1.03
_COVER = (0.78, 0.82)
_LEAST_WEEK = 0.72
_ODDS_OFF = 0.03
_ENOUGH_STARTS = 100
_ORIGINS_A_DAY = 8
_QUANTITIES = ("air_c", "humidity_pct")


def print_rows(title: str, rows: Mapping[str, Array]) -> None:
    """Print rows of one number per horizon."""
    wide = max(14, *(len(row) + 1 for row in rows))
    print(f"\n{title}\n{'':{wide}s}" + "".join(f"{hours:>8d} h" for hours in HORIZONS_H))
    for row, values in rows.items():
        print(f"{row:{wide}s}" + "".join(f"{value:10.3f}" for value in values), flush=True)


def print_summary(results: Sequence[Result]) -> None:
    """Print how we stand beside the plain mix, the naive ones and AutoARIMA, and how honest the spread is."""
    ratios = np.array([one.rows["layday"] / one.rows["plain mix"] for one in results])
    by_set: dict[str, list[Array]] = {}
    for one, ratio in zip(results, ratios, strict=True):
        kind = " (held back)" if one.task.held_back else ""
        by_set.setdefault(f"{one.task.name}{kind}", []).append(ratio)
        by_set.setdefault(f"all {one.task.unit[1]}", []).append(ratio)
    print_rows("Error beside the plain mix", {name: np.mean(by_set[name], axis=0) for name in sorted(by_set)})
    naive = np.array(
        [one.rows["layday"] / np.minimum(one.rows["persistence"], one.rows["yesterday"]) for one in results]
    )
    print_rows("All series", {
        "to plain mix": ratios.mean(axis=0),
        "worst of them": ratios.max(axis=0),
        "to best naive, worst": naive.max(axis=0),
    })  # fmt: skip
    held = [ratio for one, ratio in zip(results, ratios, strict=True) if one.task.held_back]
    print(f"{ratios.mean():.3f} of the plain mix's error over {len(results)} series", end="")
    print(f"; {np.mean(held):.3f} over the {len(held)} held back" if held else "")
    print(f"{(ratios > 1.0).sum()} of {ratios.size} cells above the plain mix", end="; ")
    print(f"{(naive > _NEVER_WORSE_RATIO).sum()} worse than the better naive one by over 3 %")
    _print_arima(results)
    _print_cover(results)
    _print_odds(results)


def _print_arima(results: Sequence[Result]) -> None:
    for quantity in _QUANTITIES:
        with_it = [one for one in results if "AutoARIMA" in one.rows and one.task.unit[1] == quantity]
        if with_it:
            rows = {
                row: np.mean([one.rows[row] for one in with_it], axis=0)
                for row in ("AutoARIMA", "plain mix", "layday")
            }
            print_rows(f"AutoARIMA, mean error over {len(with_it)} series of {quantity}", rows)


def _print_cover(results: Sequence[Result]) -> None:
    cover = np.array([one.rows["cover80"] for one in results])
    week = np.array([one.rows["worst week"] for one in results])
    perfect = np.array([one.rows["perfect odds"] for one in results])
    print_rows("Share inside the 80 % range", {
        "all": cover.mean(axis=0),
        "lowest series": cover.min(axis=0),
        "highest series": cover.max(axis=0),
        "worst week, mean": week.mean(axis=0),
        "the same, perfect odds": perfect.mean(axis=0),
        "worst week of all": week.min(axis=0),
        "the same, perfect odds ": perfect.min(axis=0),
    })  # fmt: skip
    low, high = _COVER
    print(
        f"{((cover >= low) & (cover <= high)).sum()} of {cover.size} cells within {low} to {high}", end="; "
    )
    print(f"worst week at least {_LEAST_WEEK} in {(week >= _LEAST_WEEK).sum()}", end=", ")
    print(f"with perfect odds in {(perfect >= _LEAST_WEEK).sum()}")


def _print_odds(results: Sequence[Result]) -> None:
    """Print how far odds that a limit holds for hours are off: in all, by set and tenth, by series."""
    print("\nReliability of 'it stays within X for so long': odds said, share that held, count")
    every = np.concatenate([one.jobs for one in results])
    for hours in JOBS_H:
        print(f"  {hours} h: {_said_held(every[every[:, 0] == hours])}")
        for of in _by_tenth(every, hours):
            print(f"    {of[:, 1].mean():.3f} {of[:, 2].mean():.3f} {len(of)}")
    print("  said less held, by set: in all, then in each tenth with 100 starts or more")
    for name in dict.fromkeys(one.task.name for one in results):
        jobs = np.concatenate([one.jobs for one in results if one.task.name == name])
        for hours in JOBS_H:
            off = [of[:, 1].mean() - of[:, 2].mean() for of in _by_tenth(jobs, hours, _ENOUGH_STARTS)]
            cells = "".join(f"{value:+7.3f}" for value in off)
            print(f"    {name:22s}{hours:2d} h {_said_held(jobs[jobs[:, 0] == hours])} |{cells}")
    by_series = np.array([[_odds_off(one.jobs, hours) for hours in JOBS_H] for one in results])
    print("  said less held, by series:")
    for one, both in zip(results, by_series, strict=True):
        print(f"    {one.task.title:48s}" + "".join(f"{value:+8.3f}" for value in both))
    perfect = np.mean([_perfect_within(one.jobs) for one in results])
    print(f"  {(np.abs(by_series) <= _ODDS_OFF).sum()} of {by_series.size} within {_ODDS_OFF};", end=" ")
    print(f"of perfect odds, those of one day sharing their fate, {perfect * by_series.size:.0f} would be")


def _by_tenth(jobs: Array, hours: int, least: int = 1) -> list[Array]:
    of = jobs[jobs[:, 0] == hours]
    tenths = np.minimum((10.0 * of[:, 1]).astype(np.int64), 9)
    found = [of[tenths == tenth] for tenth in range(10)]
    return [mine for mine in found if len(mine) >= least]


def _said_held(jobs: Array) -> str:
    said, held = jobs[:, 1].mean(), jobs[:, 2].mean()
    return f"said {said:.3f}, held {held:.3f}, off {said - held:+.3f}, n {len(jobs)}"


def _odds_off(jobs: Array, hours: int) -> float:
    of = jobs[jobs[:, 0] == hours]
    return float((of[:, 1] - of[:, 2]).mean())


def _perfect_within(jobs: Array, draws: int = 100) -> float:
    """Return how often one series' odds, if they were right, would be within what is asked."""
    random, within = np.random.default_rng(0), []
    for hours in JOBS_H:
        said = jobs[jobs[:, 0] == hours, 1]
        day = np.arange(len(said)) // _ORIGINS_A_DAY
        for _ in range(draws):
            held = random.random(int(day[-1]) + 1)[day] < said
            within.append(abs(float((said - held).mean())) <= _ODDS_OFF)
    return float(np.mean(within))


def print_known(known: Sequence[Result], plain: Mapping[tuple[str, Unit], Result]) -> None:
    """Print what each thing known ahead makes of our error, and how the plain mix that knows it compares."""
    worth: dict[str, list[Array]] = {}
    beside: dict[str, list[Array]] = {}
    for one in known:
        without = plain[one.task.name, one.task.unit].rows["layday"]
        name = f"{one.task.knows}, {one.task.name.rpartition('_')[0]} {one.task.unit[1]}"
        worth.setdefault(name, []).append(one.rows["layday"] / without)
        if "plain mix" in one.rows:
            beside.setdefault(name, []).append(one.rows["layday"] / one.rows["plain mix"])
            beside.setdefault(f"{one.task.knows}, all", []).append(one.rows["layday"] / one.rows["plain mix"])
    for title, rows in (
        ("Error with something known ahead, beside ours without", worth),
        ("Error with something known ahead, beside the plain mix that knows it too", beside),
    ):
        if rows:
            print_rows(title, {name: np.mean(found, axis=0) for name, found in rows.items()})
