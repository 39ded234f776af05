"""Several jobs in a row, on paths made by hand."""

from datetime import timedelta

import numpy as np
import pytest

from forecast.card import Stage
from forecast.card_files import find_card
from forecast.job import Job, JobLimits
from forecast.limits import Limit
from forecast.plan import PlanStep, plan
from forecast.verdict import Verdict
from forecast.window import Terms, working_spans
from tests.forecast.test_window import STEPS, at, between, forecast

DRY = JobLimits(humidity_max_pct=75.0)
BARE = PlanStep(Job("sand", 120.0, limits=DRY), "keel", None, bonds=False)
CARD = find_card("generic-vinyl-ester")
FILL = PlanStep(Job("fill", 60.0, card=CARD, catalyst_pct=1.5, layers=6), "keel")
PLIES = PlanStep(Job("plies", 120.0, card=CARD, catalyst_pct=1.5, layers=12), "keel")


def test_one_crew_does_one_job_after_the_other() -> None:
    found = plan(forecast(), [BARE, BARE], Terms())
    assert found.earliest is not None
    assert [one.start_at for one in found.earliest.placed] == [at(0), at(2)]
    assert found.earliest.placed[-1].done_at == at(4)


def test_the_next_job_waits_for_the_gel_of_the_one_before() -> None:
    """The wait is the gel time at 20 °C, between the card's cells of 1.25 and 1.75 %: 28 to 51 min."""
    keyed = PlanStep(PLIES.job, "keel", Stage.GEL, bonds=False)
    found = plan(forecast(paths=200), [FILL, keyed], Terms())
    assert found.earliest is not None
    fill, plies = found.earliest.placed
    last_pot = fill.done_at - timedelta(minutes=10)
    assert timedelta(minutes=28) < plies.work_at - last_pot < timedelta(minutes=51 + 20)


def test_a_bonding_job_waits_until_the_recoat_window_opens() -> None:
    """The card's own hour at 20 °C, counted from the last pot, is beyond its gel."""
    recoat = CARD.recoat
    assert recoat is not None
    opens_h = float(np.interp(20.0, recoat.temps_c, recoat.from_h))
    found = plan(forecast(paths=200), [FILL, PLIES], Terms())
    assert found.earliest is not None
    fill, plies = found.earliest.placed
    waited_h = (plies.work_at - fill.done_at + timedelta(minutes=10)) / timedelta(hours=1)
    assert opens_h <= waited_h < opens_h + 0.7  # the slow end of its band, and starts 20 min apart


def test_a_row_of_jobs_keeps_to_working_hours() -> None:
    """Two hours of work a day: one job today, the next tomorrow."""
    days = working_spans([(at(8), at(10)), (at(32), at(34))])
    found = plan(forecast(), [BARE, BARE], Terms(working=days))
    assert found.earliest is not None
    assert [one.start_at for one in found.earliest.placed] == [at(8), at(32)]


def test_a_recoat_window_that_shuts_overnight_cannot_be_met() -> None:
    """A day and a half lie between the only two spans of work, longer than the card's window at 25 °C."""
    recoat = CARD.recoat
    assert recoat is not None
    assert np.interp(25.0, recoat.temps_c, recoat.to_h) < 47.0
    days = working_spans([(at(8), at(10)), (at(56), at(59))])
    warm = {"air_c": 25.0, "part_c": 25.0}
    bonded = plan(forecast(warm, 200), [FILL, PLIES], Terms(working=days))
    assert bonded.surest is None
    assert (bonded.stuck, bonded.binds) == ("plies", Limit.STAGE_LATE)
    keyed = PlanStep(PLIES.job, "keel", Stage.SANDABLE, bonds=False)
    assert plan(forecast(warm, 200), [FILL, keyed], Terms(working=days)).surest is not None


def test_odds_are_joint_on_the_same_paths() -> None:
    """Half the paths are dry on the first day, the other half on the second: no path is dry on both."""
    humidity = np.full((4, STEPS), 90.0)
    humidity[:2, :144], humidity[2:, 144:288] = 60.0, 60.0
    days = working_spans([(at(8), at(10)), (at(32), at(34))])
    found = plan(forecast({"humidity_pct": humidity}), [BARE, BARE], Terms(working=days))
    assert found.surest is None


def test_the_surest_may_be_later_than_the_earliest() -> None:
    """Today nine paths in ten are dry, tomorrow all."""
    humidity = np.full((10, STEPS), 60.0)
    humidity[0, :144] = 90.0
    found = plan(forecast({"humidity_pct": humidity}, 10), [BARE], Terms())
    assert found.earliest is not None
    assert found.surest is not None
    assert (found.earliest.placed[0].start_at, found.earliest.odds) == (at(0), 0.9)
    assert (found.surest.placed[0].start_at, found.surest.odds) == (at(24), 1.0)
    assert found.earliest.verdict is Verdict.GO


def test_a_job_that_cannot_be_placed_is_named_with_its_limit() -> None:
    wet = plan(forecast({"humidity_pct": 90.0}), [BARE], Terms())
    assert (wet.surest, wet.stuck, wet.binds) == (None, "sand", Limit.HUMIDITY)


def test_a_job_without_an_hour_to_work_in_is_named_with_them() -> None:
    nobody = plan(forecast(), [BARE], Terms(working=working_spans([(at(8), at(9))])))
    assert (nobody.surest, nobody.stuck, nobody.binds) == (None, "sand", Limit.HOURS)


def test_a_job_that_outlasts_the_forecast_is_named_with_it() -> None:
    found = plan(forecast(), [BARE, PlanStep(Job("wait", 48 * 60.0, 24 * 60.0, limits=DRY), "keel")], Terms())
    assert (found.surest, found.stuck, found.binds) == (None, "wait", Limit.HORIZON)


def test_a_plan_without_jobs_or_with_an_unknown_bay_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        plan(forecast(), [], Terms())
    with pytest.raises(ValueError, match="bow"):
        plan(forecast(), [PlanStep(BARE.job, "bow")], Terms())


def test_a_job_may_be_prepared_while_the_one_before_gels() -> None:
    """Half an hour of preparation begins before the gel, the laying does not."""
    prepared = PlanStep(Job("plies", 120.0, 30.0, CARD, 1.5, 12), "keel")
    found = plan(forecast({"humidity_pct": between(0, 72, 50.0, 50.0)}, 200), [FILL, prepared], Terms())
    alone = plan(forecast(paths=200), [FILL, PLIES], Terms())
    assert found.earliest is not None
    assert alone.earliest is not None
    assert found.earliest.placed[1].start_at < alone.earliest.placed[1].start_at
