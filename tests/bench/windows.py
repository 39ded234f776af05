"""Decisions beside two rivals, on measured air: ``python -m tests.bench.windows``.

Every row asks at each daylight hour of the last 60 % of a set: does air stay above the set's own
35 % quantile and humidity below its 65 % quantile for the next hours? All rows come from one
run, over the same origins and with the same information (nothing of the outdoors after the
origin). The constants of `forecast.voices` and `forecast.blend` were chosen on the first two
groups of rows; the third was left alone until they stood.
"""

import argparse
import os
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np

from forecast.card import Stage
from forecast.card_files import find_card
from forecast.card_rates import cure_rates
from forecast.cure_hindcast import Evening, Night, cure_nights, night_scores
from forecast.hindcast import Plan, replayed
from forecast.job import JobLimits
from forecast.past import DAY_STEPS, read_csv
from forecast.voices import BayPast, Hold
from forecast.window_hindcast import Said, said_of, window_scores
from tests.bench.window_rivals import classifier_odds, lags_and_weather, plain_path_odds

DATA = Path(__file__).parent.parent / "data"
ROWS = {
    "decisions table": (
        ("house_belgium", "north_wall", (4, 8)),
        ("house_belgium", "bath", (4, 8)),
        ("house_belgium", "laundry", (4, 8)),
        ("greenhouse_cva", "bay", (4, 8)),
        ("greenhouse_reference", "bay", (4,)),
        ("house_valencia", "room", (4, 8)),
    ),
    "further rows": (
        ("greenhouse_koala", "bay", (4,)),
        ("house_valencia", "dining", (4, 8)),
        ("house_belgium", "kitchen", (4, 8)),
        ("house_belgium", "parents", (4, 8)),
        ("house_belgium", "living", (4, 8)),
    ),
    "held back": (
        ("house_belgium", "office", (4, 8)),
        ("house_belgium", "ironing", (4, 8)),
        ("house_belgium", "teen", (4, 8)),
    ),
}
GO_ODDS = 0.9
NIGHTS = ("house_belgium", "house_valencia")
# Out of doors, in winter: nothing laid there at night can be sanded within days.
_NO_PLACE_TO_LAY = ("north_wall",)
_NIGHTS, _SAMPLES = 200, 200
_FIRST_NIGHT_DAYS = 21
_BED_H, _AWAKE_H = 22, 4
_CARD, _CATALYST_PCT = "generic-vinyl-ester", 1.5
_DAYLIGHT_H = (7, 19)
_FIRST_DAYS = 10
_TESTED_FROM = 0.4
_ENOUGH_GOES = 50
_ENOUGH_STARTS = 100
_HOUR_US = 3_600_000_000

Row = tuple[str, dict[str, Said]]


def row(name: str, bay: str, hours: tuple[int, ...]) -> list[Row]:
    """Return, for each job, what the two rivals and we said of the same starts."""
    history = read_csv(DATA / f"{name}.csv.gz")
    own = {one: v for one, v in history.columns.items() if one.rpartition(".")[0] == bay or _shared(one)}
    alone = replace(history, columns=own)
    past = BayPast(alone, bay)
    points = {quantity: one for (_, quantity), one in replayed(alone, Plan(0, len(alone))).items()}
    limits = JobLimits(
        air_min_c=float(np.nanquantile(past.measured["air_c"], 0.35)),
        humidity_max_pct=float(np.nanquantile(past.measured["humidity_pct"], 0.65)),
    )
    hour = history.times_us // _HOUR_US % 24
    steps = np.arange(_FIRST_DAYS * DAY_STEPS, len(history), 2)
    steps = steps[(hour[steps] >= _DAYLIGHT_H[0]) & (hour[steps] < _DAYLIGHT_H[1])]
    inputs = lags_and_weather(history, bay)
    found = []
    for job_h in hours:
        hold = Hold(limits, 2 * job_h)
        said = said_of(past, points, hold, steps, 0)
        tested = said.steps >= _TESTED_FROM * len(history)
        ours = Said(said.steps[tested], said.odds[tested], said.held[tested], said.fine[tested])
        of = {
            "classifier": classifier_odds(inputs, past.held(hold), said.steps, hold.steps)[tested],
            "plain paths": plain_path_odds(
                inputs,
                [past.values["air_c"], past.values["humidity_pct"]],
                [(1.0, limits.air_min_c), (-1.0, limits.humidity_max_pct)],
                said.steps,
                hold.steps,
            )[tested],
        }
        rivals = {rival: Said(ours.steps, odds, ours.held, ours.fine) for rival, odds in of.items()}
        found.append((f"{name} {bay} {job_h} h", {**rivals, "layday": ours}))
    return found


def _shared(column: str) -> bool:
    return column.startswith(("outdoor.", "heater.", "vent.", "lamp."))


def _line(title: str, of: dict[str, Said]) -> str:
    scores = {who: window_scores(said, GO_ODDS) for who, said in of.items()}
    ours = scores["layday"]
    cells = [f"{title:34s} {ours['n']:5d} {ours['base_rate']:5.2f} {ours['meter_rule']['wrong']:6.2f}"]
    for one in scores.values():
        go = one["go"]
        wrong = "   - " if go["wrong"] is None else f"{go['wrong']:5.2f}"
        cells.append(f"{wrong} {go['kept']:5.2f} {one['brier_skill']:6.3f}")
    return " | ".join(cells)


def _gain(of: dict[str, Said]) -> tuple[float, float]:
    """Return our Brier skill beyond that of the better rival, and its standard error by whole days."""
    ours, loss = of["layday"], {who: (said.odds - said.held) ** 2 for who, said in of.items()}
    better = min((who for who in of if who != "layday"), key=lambda who: float(loss[who].mean()))
    less = (loss[better] - loss["layday"]) / max(float(ours.held.var()), 1e-9)
    days, of_day = np.unique(ours.steps // DAY_STEPS, return_inverse=True)
    by_day = np.bincount(of_day, less - less.mean())
    return float(less.mean()), float(np.sqrt(len(days)) * by_day.std() / len(less))


def perfect_off(rows: list[Row], draws: int = 200) -> tuple[float, float]:
    """Return by how much the worst tenth of perfect odds would be off: on average, and nine times in ten.

    What came is drawn by the odds said; the starts of one day and series share their fate, as weather makes
    them: one number a day decides, and a start holds where it lies below its odds.
    """
    random, worst = np.random.default_rng(0), []
    every = _all(rows)
    tenths = np.minimum((every.odds * 10).astype(np.int64), 9)
    counts = np.bincount(tenths, minlength=10)
    series = [(name.rpartition(" ")[0].rpartition(" ")[0], of["layday"]) for name, of in rows]
    last = int(every.steps.max()) // DAY_STEPS + 1
    for _ in range(draws):
        fate = {one: random.random(last) for one in {name for name, _ in series}}
        held = np.concatenate([fate[one][said.steps // DAY_STEPS] < said.odds for one, said in series])
        off = np.abs(np.bincount(tenths, every.odds - held, 10)) / np.maximum(counts, 1)
        worst.append(float(off[counts >= _ENOUGH_STARTS].max()))
    return float(np.mean(worst)), float(np.quantile(worst, 0.9))


def _all(rows: list[Row]) -> Said:
    every = [of["layday"] for _, of in rows]
    return Said(
        np.concatenate([one.steps for one in every]),
        np.concatenate([one.odds for one in every]),
        np.concatenate([one.held for one in every]),
        np.concatenate([one.fine for one in every]),
    )


def print_group(title: str, rows: list[Row]) -> None:
    """Print one group of rows and what they are judged by."""
    print(f"\n{title}: wrong = of starts called go; kept = of the good starts; Brier skill")
    print(
        f"{'':34s} {'n':>5s} {'base':>5s}  meter |     classifier      |     plain paths     |       layday"
    )
    gains = []
    for name, of in rows:
        gain, error = _gain(of)
        gains.append(gain)
        print(f"{_line(name, of)}  {gain:+.3f} ± {error:.3f}")
    scores = window_scores(_all(rows), GO_ODDS)
    each = [window_scores(of["layday"], GO_ODDS)["go"] for _, of in rows]
    worst = max((go["wrong"] for go in each if go["n"] >= _ENOUGH_GOES), default=0.0)
    print(f"skill beyond the better rival: mean {np.mean(gains):+.3f}, lowest {min(gains):+.3f}")
    print(f"called go and failed: {scores['go']['wrong']:.3f} of {scores['go']['n']} in all,", end=" ")
    print(f"{worst:.3f} on the worst row with {_ENOUGH_GOES} goes or more")
    print("reliability (odds said, share that held, starts):")
    for tenth in scores["reliability"]:
        if tenth["n"] >= _ENOUGH_STARTS:
            off = tenth["odds"] - tenth["held"]
            print(f"  {tenth['odds']:.3f} {tenth['held']:.3f} {tenth['n']:5d}  {off:+.3f}")
    mean, nine = perfect_off(rows)
    print(f"perfect odds of these starts, one fate a day: worst tenth {mean:.3f} off on average,", end=" ")
    print(f"up to {nine:.3f} nine times in ten")


def bedtime() -> None:
    """Print how well the hour at which an overnight cure can be sanded was known at bedtime."""
    pace = dict(cure_rates(find_card(_CARD), _CATALYST_PCT).stages)[Stage.SANDABLE]
    every: list[Night] = []
    print(f"\nbedtime, {_CARD} at {_CATALYST_PCT} %: laid at 18, asked at 22 o'clock when it can be sanded")
    print(f"{'':34s} {'n':>5s} {'median error':>13s} {'bias':>9s} {'in 80 %':>8s}")
    for name in NIGHTS:
        history = read_csv(DATA / f"{name}.csv.gz")
        plan = Plan(_FIRST_NIGHT_DAYS * DAY_STEPS, len(history))
        history = replace(
            history,
            columns={one: v for one, v in history.columns.items() if not one.endswith("humidity_pct")},
        )
        points = replayed(history, plan)
        beds = np.flatnonzero(history.times_us // _HOUR_US % 24 == _BED_H)[::2]
        evenings = [Evening(int(bed) - 2 * _AWAKE_H, int(bed)) for bed in beds if bed >= plan.start]
        for bay in (one for one in history.bays if one not in _NO_PLACE_TO_LAY):
            nights = cure_nights(history, (bay, "air_c"), points, pace.likely, evenings)
            _print_nights(f"{name} {bay}", nights)
            every += nights
    _print_nights("all", every)
    came = [one for one in every if 0.0 < one.came_h < np.inf]
    random = np.random.default_rng(0)
    chosen = [random.choice(len(came), min(_NIGHTS, len(came)), replace=False) for _ in range(_SAMPLES)]
    inside = [night_scores([came[one] for one in sample])["cover80"] for sample in chosen]
    low, high = np.quantile(inside, [0.1, 0.9])
    print(f"{_NIGHTS} of them, {_SAMPLES} times: {np.mean(inside):.3f}", end=" ")
    print(f"({low:.3f} to {high:.3f} eight times in ten)")


def _print_nights(title: str, nights: list[Night]) -> None:
    one = night_scores(nights)
    error, bias = one["median_error_min"], one["bias_min"]
    print(f"{title:34s} {one['n']:5d} {error:9.1f} min {bias:5.1f} min {one['cover80']:8.3f}")


def main() -> None:
    """Print the tables."""
    warnings.simplefilter("ignore")
    # read when scikit-learn is first imported: on a busy machine its threads wait for each other
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("groups", nargs="*", default=list(ROWS), help=", ".join([*ROWS, "bedtime"]))
    parser.add_argument("--rows", type=int, default=99, help="at most so many series of each group")
    given = parser.parse_args()
    every: list[Row] = []
    for group in (one for one in given.groups if one in ROWS):
        rows: list[Row] = []
        for name, bay, hours in ROWS[group][: given.rows]:
            rows += row(name, bay, hours)
        print_group(group, rows)
        every += rows
    if given.groups == list(ROWS):
        print_group("all of them", every)
    if not given.groups or given.groups == list(ROWS) or "bedtime" in given.groups:
        bedtime()


if __name__ == "__main__":
    main()
