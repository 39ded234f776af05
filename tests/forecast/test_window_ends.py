"""What an answer says beside its windows: odds within them, ends, moments, and why there is none."""

from dataclasses import replace

import numpy as np
import pytest

from forecast.card_files import find_card
from forecast.job import Job, JobLimits
from forecast.limits import Limit
from forecast.past import Array
from forecast.start_odds import StartOdds
from forecast.verdict import Verdict
from forecast.window import Terms, Thresholds, windows, working_spans
from tests.forecast.test_window import FOUR_HOURS, STEPS, at, between, forecast, one

VINYL_ESTER = find_card("generic-vinyl-ester")


def test_odds_that_fall_make_a_window_to_go_and_then_a_tight_one() -> None:
    """Ten paths: all dry from 9 to 15, eight of them until 18, seven until 20."""
    ends_h = [20.0] * 7 + [18.0] + [15.0] * 2
    humidity = np.array([between(9, end_h, 60.0, 90.0) for end_h in ends_h])
    answer = one(forecast({"humidity_pct": humidity}, 10))
    go, tight = answer.windows
    assert (go.verdict, go.start_at, go.end_at, go.odds, go.best_odds) == (
        Verdict.GO,
        at(9),
        at(11),
        1.0,
        1.0,
    )
    assert (tight.verdict, tight.start_at, tight.end_at) == (Verdict.TIGHT, at(11 + 1 / 6), at(16))
    assert (tight.odds, tight.best_odds, tight.best_at) == (0.7, 0.8, at(11 + 1 / 6))
    assert (answer.verdict, answer.now) == (Verdict.GO, Verdict.NO_GO)
    assert (answer.best_at, answer.best_odds, answer.openings) == (at(9), 1.0, ())
    assert answer.next_go == go
    assert (go.catalyst_pct, go.part_c) == (None, None)


def test_now_is_the_verdict_of_the_first_start() -> None:
    answer = one(forecast({"humidity_pct": between(0, 6, 60.0, 90.0)}))
    assert (answer.now, answer.windows[0].start_at, answer.windows[0].end_at) == (Verdict.GO, at(0), at(2))


def test_the_end_of_the_forecast_ends_a_window_by_name() -> None:
    """The last start whose four hours are all forecast is the 408th step of 432, counted from 0 at 67:50."""
    (window,) = one(forecast()).windows
    assert (window.end_at, window.binds) == (at((STEPS - 1 - 24) / 6), Limit.HORIZON)


def test_a_job_longer_than_the_forecast_is_told_so() -> None:
    answer = one(replace(forecast(), notes=("a note",)), Job("lay", 2880.0, 1500.0))
    assert (answer.verdict, answer.now, answer.binds) == (Verdict.NO_GO, Verdict.NO_GO, Limit.HORIZON)
    assert (answer.needed_min, answer.longest_min, answer.best_at) == (4380.0, 0.0, None)
    assert answer.best_odds == 0.0
    assert answer.notes == ("a note", "the job takes longer than the 72 h that are forecast")


def test_no_news_says_what_is_missing() -> None:
    (answer,) = windows(forecast(), [FOUR_HOURS], ["bow"])
    assert answer.notes == ("nothing is forecast for bow",)
    assert (answer.now, answer.needed_min, answer.best_at) == (Verdict.NO_NEWS, 240.0, None)
    assert (answer.best_odds, answer.longest_min) == (0.0, 0.0)


def test_without_working_hours_no_start_is_the_best() -> None:
    answer = one(forecast(), terms=Terms(working=()))
    assert (answer.windows, answer.verdict) == ((), Verdict.NO_GO)
    assert (answer.best_at, answer.best_odds) == (None, 0.0)


def test_a_start_must_fit_whole_into_one_span_of_working_time() -> None:
    """Preparation counts as work: two hours and four fit into six, and not across lunch."""
    job = replace(FOUR_HOURS, prepare_min=120.0)
    whole = one(forecast(), job, Terms(working=working_spans([(at(8), at(14))])))
    assert [(w.start_at, w.end_at) for w in whole.windows] == [(at(8), at(8))]
    split = one(forecast(), job, Terms(working=working_spans([(at(8), at(12)), (at(12.5), at(18))])))
    assert split.windows == ()


def test_a_window_tells_the_part_as_it_is_when_laying_begins() -> None:
    """The best start is the first of equals; an hour of preparation goes before the first pot."""
    part_c = 20.0 + np.arange(STEPS) / 600.0
    job = Job("lay", 60.0, 60.0, card=VINYL_ESTER, layers=6)
    window = one(forecast({"part_c": part_c}), job).windows[0]
    begins = round((window.best_at - at(1.0 - 1.0)).total_seconds() / 600.0) + 6
    assert window.part_c == pytest.approx(part_c[begins])
    assert window.catalyst_pct is not None
    assert VINYL_ESTER.catalyst_min_pct <= window.catalyst_pct <= VINYL_ESTER.catalyst_max_pct


def test_recalibrated_odds_keep_what_fails_in_proportion() -> None:
    """What is lost at a start still sums to what the odds leave, and the same limit binds."""
    humidity = np.array([between(9, end_h, 60.0, 78.0) for end_h in [20.0] * 6 + [15.0] * 4])

    def halved(bay: str, job: Job, starts: StartOdds) -> Array:
        assert (bay, job) == ("keel", FOUR_HOURS)
        return starts.odds * 0.5

    answer = one(forecast({"humidity_pct": humidity}, 10), terms=Terms(Thresholds(0.4, 0.25), None, halved))
    assert answer.starts is not None
    failing = answer.starts.lost.sum(axis=0) > 0.0
    assert failing.any()
    assert answer.starts.lost.sum(axis=0)[failing] == pytest.approx(1.0 - answer.starts.odds[failing])
    assert [w.verdict for w in answer.windows] == [Verdict.GO, Verdict.TIGHT]
    assert answer.windows[-1].binds is Limit.HUMIDITY


@pytest.mark.parametrize(("go", "tight"), [(0.9, 0.0), (0.5, 0.6), (1.1, 0.6), (float("nan"), 0.6)])
def test_thresholds_that_cannot_be_are_refused(go: float, tight: float) -> None:
    with pytest.raises(ValueError, match="0 < tight <= go <= 1"):
        Thresholds(go, tight)


def test_thresholds_hold_from_their_own_value_on() -> None:
    terms = Thresholds()
    assert [terms.verdict(odds) for odds in (0.9, 0.899, 0.6, 0.599)] == [
        Verdict.GO,
        Verdict.TIGHT,
        Verdict.TIGHT,
        Verdict.NO_GO,
    ]
    assert Thresholds(1.0, 1.0).verdict(1.0) is Verdict.GO


def test_limits_about_warmth_need_no_humidity_of_the_forecast() -> None:
    """Two jobs in one question: each is answered for itself."""
    whole = forecast()
    dry = replace(
        whole, paths={unit: path for unit, path in whole.paths.items() if unit[1] != "humidity_pct"}
    )
    warm = Job("warm", 240.0, limits=JobLimits(part_min_c=16.0))
    damp, dry_only = windows(dry, [FOUR_HOURS, warm], ["keel"])
    assert (damp.verdict, damp.notes) == (Verdict.NO_NEWS, ("no humidity is forecast for keel",))
    assert dry_only.verdict is Verdict.GO
