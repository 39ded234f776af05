"""Trees on what has changed of late: they bend where ridges are straight, and have the say that they earn."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from forecast.baselines import lagged
from forecast.experts import EXPERT_NAMES, KNOTS, TREES, replay
from forecast.features import Features
from forecast.past import DAY_STEPS, STEP_US, Array, History
from forecast.trees import TREE_KNOTS, Changes
from forecast.weighing import mixed

_UNIT = ("keel", "air_c")
_DAYS = 24


def _thermostat(days: int = _DAYS) -> History:
    """Return an invented shed: out of the dark it warms until a thermostat stops the heat, then cools."""
    random = np.random.default_rng(8)
    count = days * DAY_STEPS
    outside = (
        6 + 3 * np.sin(2 * np.pi * np.arange(count) / DAY_STEPS - 2) + np.cumsum(random.normal(0, 0.1, count))
    )
    air, on, called = np.empty(count), np.empty(count), 1.0
    air[0] = 15.0
    for step in range(count):
        on[step] = called
        if step + 1 < count:
            air[step + 1] = air[step] + 0.12 * (outside[step] - air[step]) + 3.0 * called
            air[step + 1] += random.normal(0, 0.05)
            called = 1.0 if air[step + 1] < 14.0 else 0.0 if air[step + 1] > 19.0 else called
    columns = {"keel.air_c": air, "heater.on": on, "outdoor.air_c": outside}
    return History(np.arange(count) * STEP_US, columns, {})


def _miss(points: Array, measured: Array, knot: int) -> float:
    late = np.arange(17 * DAY_STEPS, len(measured) - DAY_STEPS)
    return float(np.abs(points[KNOTS.index(knot)] - lagged(measured, -knot))[late].mean())


def test_where_a_thermostat_turns_the_air_the_trees_make_the_mix_closer() -> None:
    shed = _thermostat()
    measured = shed.columns["keel.air_c"]
    said = replay(shed, _UNIT, [day * DAY_STEPS for day in (9, 12, 16, 20)])
    silent = said.copy()
    silent[TREES] = np.nan
    with_trees, without = (_miss(mixed(voices, measured), measured, 2) for voices in (said, silent))
    assert with_trees < 0.85 * without


def test_they_are_silent_until_eight_days_have_been_measured_and_say_no_more_than_six_hours() -> None:
    shed = _thermostat(11)
    said = replay(shed, _UNIT, [5 * DAY_STEPS, 10 * DAY_STEPS])[TREES]
    places = [KNOTS.index(knot) for knot in TREE_KNOTS]
    assert np.isnan(said[:, : 10 * DAY_STEPS]).all()
    assert np.isfinite(said[places, 10 * DAY_STEPS :]).all()
    assert np.isnan(np.delete(said, places, axis=0)).all()
    assert max(TREE_KNOTS) == 12


def test_nothing_later_than_an_origin_changes_what_they_say_at_it() -> None:
    shed, now = _thermostat(14), 12 * DAY_STEPS + 5
    changed = {name: values.copy() for name, values in shed.columns.items()}
    for values in changed.values():
        values[now + 1 :] = np.random.default_rng(9).normal(20, 5, len(values) - now - 1)
    for_later = History(shed.times_us, changed, {})
    one, other = (Changes(Features(past, *_UNIT), *_UNIT) for past in (shed, for_later))
    span = np.arange(now - 9, now + 1)
    assert np.array_equal(one.say(one.fit(now), span), other.say(other.fit(now), span))


def _voices(measured: Array, trees_off: float) -> Array:
    """Return what experts say who are off by a degree of noise, the trees by `trees_off` of their own."""
    random = np.random.default_rng(10)
    said = np.empty((len(EXPERT_NAMES), len(KNOTS), len(measured)))
    for place, knot in enumerate(KNOTS):
        truth = np.nan_to_num(lagged(measured, -knot), nan=15.0)
        said[:, place] = truth + random.normal(0, 1.0, len(measured))
        said[TREES, place] = truth + random.normal(0, trees_off, len(measured))
    return said


@pytest.mark.parametrize(
    ("trees_off", "least", "most"), [(1.0, 0.65, 0.80), (3.0, 0.9, 1.03), (0.3, 0.2, 0.5)]
)
def test_their_share_follows_how_well_they_did(trees_off: float, least: float, most: float) -> None:
    """Of two with independent errors of one size the mean has 0.71 of the error; 1 is without trees."""
    measured = 15 + np.cumsum(np.random.default_rng(11).normal(0, 1.0, _DAYS * DAY_STEPS))
    said = _voices(measured, trees_off)
    silent = said.copy()
    silent[TREES] = np.nan
    ratio = _miss(mixed(said, measured), measured, 6) / _miss(mixed(silent, measured), measured, 6)
    assert least < ratio < most


def test_a_first_week_in_which_the_mix_was_poor_and_they_silent_gives_them_no_more_say() -> None:
    """A shed's first days, before it has been learned, tell nothing of whose say is worth more later."""
    measured = 15 + np.cumsum(np.random.default_rng(11).normal(0, 1.0, _DAYS * DAY_STEPS))
    spoke = 12 * DAY_STEPS
    said, worse = _voices(measured, 1.0), _voices(measured, 1.0)
    worse[:TREES, :, :spoke] += 8.0
    said[TREES, :, :spoke] = worse[TREES, :, :spoke] = np.nan
    early = np.arange(spoke + 2 * DAY_STEPS, spoke + 3 * DAY_STEPS)
    place = KNOTS.index(6)
    shares = []
    for voices in (said, worse):
        silent = voices.copy()
        silent[TREES] = np.nan
        base = mixed(silent, measured)[place, early]
        shares.append((mixed(voices, measured)[place, early] - base) / (voices[TREES, place, early] - base))
    assert np.median(shares[1]) == pytest.approx(np.median(shares[0]), abs=0.1)


def test_what_they_add_fades_out_at_half_a_day_and_lies_between_at_other_hours() -> None:
    measured = 15 + np.sin(2 * np.pi * np.arange(_DAYS * DAY_STEPS) / DAY_STEPS)
    said = np.repeat(np.zeros((1, len(KNOTS), len(measured))), len(EXPERT_NAMES), axis=0) + 15.0
    said[TREES] = np.nan
    before = mixed(said, measured)
    said[TREES] = 16.0
    added = mixed(said, measured)[:, 20 * DAY_STEPS] - before[:, 20 * DAY_STEPS]
    by_knot = dict(zip(KNOTS, added, strict=True))
    assert by_knot[1] == pytest.approx(by_knot[2] / 2, rel=0.3)
    assert min(by_knot[2], by_knot[6]) - 0.1 < by_knot[4] < max(by_knot[2], by_knot[6]) + 0.1
    assert 0 < by_knot[20] < by_knot[16] < by_knot[12]
    assert not np.any(added[KNOTS.index(24) :])


def test_a_process_that_forecasts_loads_no_pandas_and_leaves_it_to_others(tmp_path: Path) -> None:
    """Where there is one, it would take a quarter of what the process may have, and nothing here needs it."""
    (tmp_path / "pandas.py").write_text("HERE = True\n", encoding="utf-8")
    code = (
        "import sys, numpy as np; from forecast.trees import planted;"
        " planted(np.zeros((20, 2), np.float32), np.zeros(20));"
        " assert 'sklearn' in sys.modules and 'pandas' not in sys.modules; import pandas; assert pandas.HERE"
    )
    found = {**os.environ, "PYTHONPATH": str(tmp_path)}
    subprocess.run([sys.executable, "-c", code], check=True, env=found)
