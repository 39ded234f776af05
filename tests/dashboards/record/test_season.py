"""A season in numbers that can be counted on one's fingers."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import isfinite
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import EPOCH
from collector.config import Config
from collector.domain import Reading
from collector.store.memory import MemoryStore
from dashboards.cures import read_book
from dashboards.record.document import Table, Words
from dashboards.record.season import season_blocks
from dashboards.record.season_leaks import leak_blocks, loss_words
from dashboards.record.season_sums import heating, hours_lost, skill
from forecast.bay_loss import BayLoss
from forecast.outlook import Band
from hardware.tent.parameters import Tent
from hardware.tent.simulation import Simulation
from tests.dashboards.phone.support import an_outlook
from tests.dashboards.watching import AT, watched
from tests.forecast.test_outlook_json import LIMITS


@given(st.floats(0.0, 2.0), st.floats(0.0, 30.0))
def test_fuel_per_degree_day_is_what_was_burned_over_what_was_held(burn_kg_h: float, warmth_k: float) -> None:
    """49 hourly means are two days: 48 falls, and twice the warmth in degree-days."""
    found = heating(30.0 - burn_kg_h * np.arange(49.0) / 2.0, np.full(49, 5.0 + warmth_k), np.full(49, 5.0))
    assert found.burned_kg == pytest.approx(24.0 * burn_kg_h, abs=1e-9)
    assert found.degree_days == pytest.approx(2.0 * warmth_k, abs=1e-9)


def test_a_refill_burns_nothing_and_a_silent_scale_is_not_known() -> None:
    gas = np.array([2.0, 1.0, 12.0, 11.0, np.nan, 9.0, 8.5])
    found = heating(gas, np.full(7, 20.0), np.full(7, 10.0))
    assert found.burned_kg == pytest.approx(2.5)
    assert found.hours == 4.0


def test_hours_are_lost_to_each_limit_and_counted_once_in_all() -> None:
    hourly = {
        "air_c": np.array([20.0, 10.0, 20.0, 20.0, 20.0]),
        "humidity_pct": np.array([50.0, 90.0, 90.0, 50.0, np.nan]),
        "part_c": np.array([20.0, 10.0, 20.0, 20.0, 20.0]),
    }
    found = hours_lost(hourly, np.array([True, True, True, False, True]), LIMITS)
    assert found == {
        "known": 3.0, "lost": 2.0, "too cold": 1.0, "too warm": 0.0, "too humid": 2.0,
        "too near the dew point": 2.0,
    }  # fmt: skip


def test_a_perfect_forecast_has_no_error_and_as_now_has_its_own() -> None:
    outlook = an_outlook()
    hour = int(outlook.issued_at.timestamp() // 3600)
    truth = {hour + h: 10.0 + h for h in range(30)}
    steps = 96
    likely = tuple(10.0 + (outlook.issued_at.timestamp() // 3600 + i / 2.0 - hour) for i in range(steps))
    start = outlook.issued_at.replace(
        minute=30, second=0, microsecond=0
    )  # the middle of the hour it was made in
    band = Band("part_c", start, 1800.0, tuple(v - 1 for v in likely), likely, tuple(v + 1 for v in likely))
    bays = (replace(outlook.bays[0], bands=(band,)),)
    found = skill([replace(outlook, bays=bays)], {"keel": truth})
    assert [one.ahead_h for one in found] == [6, 12, 24]
    assert all(one.error_k == pytest.approx(0.0, abs=1e-9) and one.inside_share == 1.0 for one in found)
    now_c = outlook.bays[0].now.part_c
    assert now_c is not None
    assert found[0].as_now_error_k == pytest.approx(abs(now_c - truth[hour + 6]))


def test_the_record_of_a_season_says_it_in_tables(tmp_path: Path) -> None:
    session = watched(tmp_path)
    store = session.open_store()
    for i in range(145):  # ten minutes apart: a day
        at = AT - timedelta(days=1) + timedelta(minutes=10 * i)
        store.add([Reading("heater.gas_kg", at, 20.0 - 0.05 * i, at), Reading("outdoor.air_c", at, 8.0, at)])
    store.close()
    blocks = list(season_blocks(session, read_book(session), AT - timedelta(days=2), AT))
    words = [block.text for block in blocks if isinstance(block, Words)]
    rows = [" ".join(row) for block in blocks if isinstance(block, Table) for row in block.rows]
    assert words[0] == "1 cure was laid in 2 bays."
    assert any(row.startswith(("burned 6.", "burned 7.")) for row in rows)
    assert any(row.startswith("per degree-day 0.") for row in rows)
    assert any(row.startswith("during k1, hull 0.") for row in rows)
    assert any(row.startswith("keel ") for row in rows)
    assert "generic-vinyl-ester: no gel of it was marked that could teach something." in words
    assert "Not known: it takes outdoor.air_c, and something that tells when the heater burns." in words


LOSSES = (BayLoss("keel", 170.0, 10.0, 1.6, 1.5), BayLoss("sheer", 100.0, 40.0, 2.4, 0.8))


def test_what_loses_most_and_what_leaks_most_are_told_with_their_reason() -> None:
    said = [block.text for block in loss_words(LOSSES)]
    assert said[0].startswith("keel loses most: 180 W/K, sheer 140 W/K; what it loses more goes in still air")
    assert said[1].startswith(
        "sheer leaks most: its air is changed 2.4 times an hour, most of it with the wind"
    )
    alike = (LOSSES[0], replace(LOSSES[0], bay="sheer", still_w_k=150.0, changes_per_h=1.5))
    said = [block.text for block in loss_words(alike)]
    assert said[0] == "keel and sheer lose alike: within 20 %, which is how far this errs."
    assert said[1] == "No bay leaks clearly more than another."
    dry = [replace(one, changes_per_h=None, still_changes_per_h=None) for one in LOSSES]
    assert "it takes humidity_pct" in [block.text for block in loss_words(dry)][1]


@pytest.mark.slow
def test_the_leakier_bay_of_the_simulated_tent_is_found() -> None:
    """Its skirt is torn in sheer: nine tenths of 0.06 m3/s leak there, some 4 changes an hour by its volume.

    Bays exchange air, so the fit gives a share of one's leaks to the other: only the order is held to.
    """
    tent = Tent()
    keel, sheer = replace(tent.keel, leak_share=0.1), replace(tent.sheer, leak_share=0.9)
    torn = replace(tent, leak_calm_m3_s=0.06, keel=keel, sheer=sheer)
    at = datetime(2026, 4, 11, 13, 0, tzinfo=UTC)
    past = Simulation(torn, at - timedelta(days=4), 11).record(at, 60)
    store = MemoryStore()
    times = [EPOCH + timedelta(seconds=second) for second in past.time_s.tolist()]
    for name, values in past.reported.items():
        heard = zip(times, values.tolist(), strict=True)
        store.add([Reading(name, then, value, then) for then, value in heard if isfinite(value)])
    blocks = list(leak_blocks(store, Config(), at))
    words = [block.text for block in blocks if isinstance(block, Words)]
    assert any(one.startswith("sheer leaks most: its air is changed") for one in words)
    assert "watts are as if it had 9 kW" in words[-1]
