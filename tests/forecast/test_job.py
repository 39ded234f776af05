"""A job: what it may be, and which limits hold for it."""

from dataclasses import fields, replace
from math import inf

import pytest

from forecast.card import Stage
from forecast.card_files import find_card
from forecast.job import Job, JobLimits, card_limits

VINYL_ESTER = find_card("generic-vinyl-ester")
EPOXY = find_card("generic-epoxy-slow")
DAY_MIN = 1440.0


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"work_min": 0.0}, "work_min 0 must be above 0, at most 2880"),
        ({"work_min": 2 * DAY_MIN + 1.0}, "work_min 2881"),
        ({"prepare_min": -1.0}, "prepare_min -1 must be 0 to 2880"),
        ({"prepare_min": 2 * DAY_MIN + 1.0}, "prepare_min 2881"),
        ({"layers": 0}, "layers 0 must be 1 to 50"),
        ({"layers": 51}, "layers 51"),
        ({"within_h": 0.0}, "within_h 0 must be above 0"),
        ({"stage": Stage.SANDABLE}, "only a job with a resin card has stages"),
        ({"stage": Stage.SANDABLE, "card": replace(VINYL_ESTER, stages=())}, "has gel$"),
    ],
)
def test_what_no_job_can_be_is_refused(wrong: dict[str, object], says: str) -> None:
    with pytest.raises(ValueError, match=f"job lay: .*{says}"):
        Job(**({"name": "lay", "work_min": 60.0} | wrong))  # type: ignore[arg-type]


def test_the_ends_of_every_range_are_jobs() -> None:
    longest = Job("lay", 2 * DAY_MIN, 2 * DAY_MIN, layers=50, within_h=0.1)
    assert longest.pot_min == 2 * DAY_MIN / 50
    plain = Job("lay", 0.5)
    assert (plain.pot_min, plain.prepare_min, plain.layers) == (0.5, 0.0, 1)
    for stage in (Stage.GEL, Stage.FULL):
        assert Job("lay", 60.0, card=VINYL_ESTER, stage=stage).stage is stage


def test_of_two_limits_the_stricter_holds_each_way_round() -> None:
    one = JobLimits(15.0, 30.0, 16.0, 28.0, 75.0, 3.0)
    other = JobLimits(16.0, 29.0, 15.0, 30.0, 80.0, 2.0)
    stricter = JobLimits(16.0, 29.0, 16.0, 28.0, 75.0, 3.0)
    assert one.stricter(other) == other.stricter(one) == stricter
    assert JobLimits().stricter(one) == one


def test_only_humidity_and_margin_are_about_moisture() -> None:
    told = {"air_min_c": 1.0, "air_max_c": 30.0, "part_min_c": 1.0, "part_max_c": 30.0}
    assert not JobLimits().about_moisture
    assert not JobLimits(**told).about_moisture
    assert JobLimits(humidity_max_pct=99.0).about_moisture
    assert JobLimits(margin_min_k=0.0).about_moisture
    assert {field.default for field in fields(JobLimits)} == {inf, -inf}


def test_a_jobs_limits_are_the_cards_and_those_asked_for() -> None:
    """The generic card allows 15 to 30 °C, 80 % and 3 K."""
    card = JobLimits(15.0, 30.0, 15.0, 30.0, 80.0, 3.0)
    assert card_limits(VINYL_ESTER) == card
    assert Job("lay", 60.0, card=VINYL_ESTER).all_limits == card
    asked = JobLimits(humidity_max_pct=70.0)
    assert Job("lay", 60.0, limits=asked).all_limits == asked
    assert Job("lay", 60.0, card=VINYL_ESTER, limits=asked).all_limits == replace(card, humidity_max_pct=70.0)


def test_only_an_epoxy_must_stay_dry_until_it_is_tack_free() -> None:
    assert Job("lay", 60.0, card=EPOXY).dry_until_tack_free
    assert not Job("lay", 60.0, card=VINYL_ESTER).dry_until_tack_free
    assert not Job("lay", 60.0).dry_until_tack_free
    untold = tuple(table for table in EPOXY.stages if table.stage is not Stage.TACK_FREE)
    assert not Job("lay", 60.0, card=replace(EPOXY, stages=untold)).dry_until_tack_free
