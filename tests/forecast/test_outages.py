"""Hours without the heater that are over: found by hand-made days, and what leaving them out is worth."""

from datetime import timedelta

import numpy as np
import pytest

from collector.clock import from_us
from forecast.forecaster import forecast
from forecast.outages import outage_notes, outages, without_outages
from forecast.past import DAY_STEPS, STEP_US, Array, History, thin
from hardware.tent.scenario import Event, Kind, Scenario
from tests.forecast.shed_data import BAYS, START, tent_history


def days(count: int, out: tuple[tuple[int, int], ...] = (), burner: str = "heater.on") -> History:
    """Half hours of a shed set to 18 °C that burns in each, but for spans of steps, in which it is cold."""
    steps = count * DAY_STEPS
    air: Array = np.linspace(18.0, 18.0 + 0.01 * steps, steps)
    on = np.ones(steps)
    for first, last in out:
        air[first:last], on[first:last] = 9.0, 0.0
    columns = {
        "keel.air_c": air, "keel.part_c": air - 1.0, "sheer.air_c": air - 2.0, burner: on,
        "heater.setpoint_c": np.full(steps, 18.0), "outdoor.air_c": np.full(steps, 5.0),
    }  # fmt: skip
    return History(STEP_US * np.arange(1, steps + 1, dtype=np.int64), columns, {}, lows={"keel.air_c": air})


@pytest.mark.parametrize("burner", ["heater.on", "heater.on_pct"])
def test_an_outage_that_is_over_repeats_the_day_before(burner: str) -> None:
    first, last = 3 * DAY_STEPS, 3 * DAY_STEPS + 10
    past = days(5, ((first, last),), burner)
    (found,) = np.nonzero(outages(past))
    assert found.tolist() == list(range(first, last + 4))
    mended = without_outages(past)
    for name in ("keel.air_c", "keel.part_c", "sheer.air_c"):
        before = past.columns[name][first - DAY_STEPS : last + 4 - DAY_STEPS]
        assert (mended.columns[name][found] == before).all()
        assert (mended.columns[name][last + 4 :] == past.columns[name][last + 4 :]).all()
    assert (mended.lows["keel.air_c"][found] == mended.columns["keel.air_c"][found]).all()
    assert (mended.columns["outdoor.air_c"] == past.columns["outdoor.air_c"]).all()
    assert (mended.columns[burner] == 1.0).all()


def test_what_is_no_outage_stays_as_it_was() -> None:
    """Still out; lit two hours ago; half an hour; warm enough; nothing to tell by; over three days."""
    end = 4 * DAY_STEPS
    still, young = days(4, ((end - 10, end),)), days(4, ((end - 10, end - 3),))
    brief = days(4, ((100, 101),))
    warm = days(4, ((150, 160),))
    warm.columns["keel.air_c"][150:160] = 17.0
    deaf = days(4, ((150, 160),))
    unset = days(4, ((150, 160),))
    season = days(9, ((100, 100 + 3 * DAY_STEPS + 2),))
    deaf, unset = (
        History(one.times_us, {k: v for k, v in one.columns.items() if k != name}, {})
        for one, name in ((deaf, "heater.on"), (unset, "heater.setpoint_c"))
    )
    for past in (still, young, brief, warm, deaf, unset, season):
        assert not outages(past).any()
        assert without_outages(past) is past


def test_a_burner_put_out_at_the_same_hour_every_day_is_a_habit_from_the_third_on() -> None:
    spans = tuple((day * DAY_STEPS + 18, day * DAY_STEPS + 24) for day in range(2, 8))
    found = outages(days(9, spans))
    by_day = found.reshape(-1, DAY_STEPS).any(axis=1)
    assert by_day.tolist() == [False, False, True, True, False, False, False, False, False]


def test_a_burner_heard_only_when_it_switches_holds_until_then() -> None:
    """Off at the beginning of the outage, on at its end, and no word between."""
    past = days(5, ((144, 160),))
    on = past.columns["heater.on"]
    on[145:160] = np.nan
    assert outages(past)[144:164].all()


def test_an_outage_that_was_told_is_left_out_once_it_is_long_enough_over() -> None:
    """A relay that calls in vain burns by its own word: readings alone show no outage."""
    past = days(5, ((144, 160),))
    past.columns["heater.on"][:] = 1.0
    assert without_outages(past) is past
    told = [(from_us(int(past.times_us[143])), from_us(int(past.times_us[159])))]
    (found,) = np.nonzero(outages(past, told))
    assert found.tolist() == list(range(144, 164))
    assert (without_outages(past, told).columns["keel.air_c"][144:160] > 17.0).all()
    assert not outages(past.until(163), told).any()


def test_it_is_said_for_a_day() -> None:
    past = days(5, ((4 * DAY_STEPS, 4 * DAY_STEPS + 8),))
    assert outage_notes(past) == [
        "the heater was out: 05 Jan 00:30 to 05 Jan 06:00 UTC is left out of what is learned"
    ]
    assert outage_notes(days(6, ((4 * DAY_STEPS, 4 * DAY_STEPS + 8),))) == []


@pytest.mark.slow
def test_the_evening_after_an_outage_is_not_expected_to_be_like_it() -> None:
    """A tent whose flame was out for a night, asked twelve hours later: the next morning will be as usual."""
    out, lit = 9 * 1440 + 22 * 60, 10 * 1440 + 6 * 60
    event = Event(Kind.HEATER_OUT, START.timestamp() + 60.0 * out, START.timestamp() + 60.0 * lit)
    life = tent_history(91, 12.0, Scenario((event,), 0.0))
    asked = lit + 12 * 60
    at = from_us(int(life.time_s[asked]) * 1_000_000)
    past = thin(
        life.time_s[: asked + 1] * 1_000_000,
        {name: row[: asked + 1] for name, row in life.reported.items()},
    )
    morning = (at + timedelta(hours=12)).timestamp()
    for bay in BAYS:
        true = float(np.interp(morning, life.time_s, life.truth[f"{bay}.part_c"]))
        raw, mended = (
            float(np.interp(morning, said.times_us / 1e6, said.quantile(bay, "part_c", 0.5)))
            for said in (forecast(past, at), forecast(without_outages(past), at))
        )
        assert abs(mended - true) < 1.5
        assert abs(mended - true) < abs(raw - true) - 1.0
