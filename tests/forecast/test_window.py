"""Windows on paths made by hand: every expected hour can be counted on one's fingers."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from collector.clock import to_us
from forecast.card import Stage
from forecast.card_files import find_card
from forecast.job import Job, JobLimits
from forecast.limits import Limit
from forecast.past import Array
from forecast.paths import Forecast
from forecast.start_odds import StartOdds
from forecast.verdict import Verdict
from forecast.window import Terms, Thresholds, windows, working_spans
from forecast.window_answer import JobWindows, Opening, Remedy

MIDNIGHT = datetime(2026, 4, 2, tzinfo=UTC)
STEPS = 432
FOUR_HOURS = Job("lay", 240.0, limits=JobLimits(part_min_c=16.0, humidity_max_pct=75.0, margin_min_k=3.0))


def at(hour: float) -> datetime:
    return MIDNIGHT + timedelta(hours=hour)


def between(start_h: float, end_h: float, inside: float, outside: float) -> Array:
    """`inside` from one hour to another, both steps included, on the grid of ten minutes."""
    hours = np.arange(STEPS) / 6.0
    return np.where((hours >= start_h - 1e-9) & (hours <= end_h + 1e-9), inside, outside)


def forecast(quantities: Mapping[str, Array | float] | None = None, paths: int = 4) -> Forecast:
    """A night in which every path is the same, but for quantities given as (paths, steps)."""
    given = {"air_c": 20.0, "part_c": 20.0, "humidity_pct": 50.0, **(quantities or {})}
    times = to_us(MIDNIGHT) + 600_000_000 * np.arange(STEPS, dtype=np.int64)
    spread = {
        ("keel", name): np.broadcast_to(np.asarray(value, dtype=np.float64), (paths, STEPS)).copy()
        for name, value in given.items()
    }
    return Forecast(MIDNIGHT, times, spread)


def one(found: Forecast, job: Job = FOUR_HOURS, terms: Terms | None = None) -> JobWindows:
    (answer,) = windows(found, [job], ["keel"], terms or Terms())
    return answer


def test_a_square_of_good_weather_gives_exactly_its_window() -> None:
    answer = one(forecast({"humidity_pct": between(9, 15, 60.0, 90.0)}))
    (window,) = answer.windows
    assert (window.start_at, window.end_at) == (at(9), at(11))
    assert (window.verdict, window.odds, answer.verdict) == (Verdict.GO, 1.0, Verdict.GO)


@pytest.mark.parametrize(
    ("quantities", "limit"),
    [
        ({"humidity_pct": between(9, 15, 60.0, 80.0)}, Limit.HUMIDITY),
        ({"part_c": between(9, 15, 20.0, 15.9)}, Limit.PART_COLD),
        # at 20 °C and 60 % the dew point is 12.0 °C (Sonntag 1990), so a part at 14.9 °C has 2.9 K
        ({"humidity_pct": 60.0, "part_c": between(9, 15, 16.0, 14.9)}, Limit.MARGIN),
    ],
)
def test_the_limit_touched_at_the_end_binds_by_name(quantities: dict[str, Array], limit: Limit) -> None:
    job = FOUR_HOURS
    if limit is Limit.MARGIN:
        job = Job("lay", 240.0, limits=JobLimits(margin_min_k=3.0))
    (window,) = one(forecast(quantities), job).windows
    assert (window.end_at, window.binds) == (at(11), limit)


def test_the_first_of_two_limits_in_time_binds() -> None:
    """Humidity breaks at 14:00, the part gets cold at 16:00: humidity ends the window."""
    (window,) = one(
        forecast({"humidity_pct": between(9, 14, 60.0, 80.0), "part_c": between(9, 16, 20.0, 12.0)})
    ).windows
    assert (window.end_at, window.binds) == (at(10), Limit.HUMIDITY)


def test_a_job_longer_than_any_window_says_what_is_short() -> None:
    answer = one(forecast({"humidity_pct": between(9, 12 + 1 / 3, 60.0, 80.0)}))
    assert (answer.verdict, answer.windows) == (Verdict.NO_GO, ())
    assert (answer.needed_min, answer.longest_min) == (240.0, 200.0)
    (shorten,) = [way for way in answer.openings if way.remedy is Remedy.SHORTEN]
    assert (shorten.less_min, shorten.at, shorten.limit) == (40.0, at(9), Limit.HUMIDITY)


def test_a_damp_start_says_until_when_to_wait() -> None:
    answer = one(forecast({"humidity_pct": between(11, 14, 70.0, 80.0)}))
    wait = answer.openings[0]
    assert (wait.remedy, wait.limit, wait.at) == (Remedy.WAIT, Limit.HUMIDITY, at(11))


def test_a_cold_part_says_how_much_warmer_it_must_be() -> None:
    answer = one(forecast({"part_c": 13.0}))
    assert answer.openings[0].remedy is Remedy.WARMER_PART
    assert answer.openings[0].shift_k == pytest.approx(3.0)


def test_more_than_twenty_kelvin_are_not_offered() -> None:
    answer = one(forecast({"part_c": -10.0}))
    assert not [way for way in answer.openings if way.remedy is Remedy.WARMER_PART]


def test_a_thin_margin_says_how_much_warmer_the_part_must_be() -> None:
    """At 20 °C and 70 % the dew point is 14.4 °C (Sonntag 1990): 3 K above it is 17.4 °C."""
    job = Job("lay", 60.0, limits=JobLimits(margin_min_k=3.0))
    (way,) = [one for one in one_answer(job) if one.remedy is Remedy.WARMER_PART]
    assert way.shift_k == pytest.approx(17.36 - 16.0, abs=0.06)  # halvings end within 0.04 K


def one_answer(job: Job) -> tuple[Opening, ...]:
    return one(forecast({"humidity_pct": 70.0, "part_c": 16.0}), job).openings


def test_odds_are_the_share_of_paths_that_hold() -> None:
    humidity = np.full((10, STEPS), 60.0)
    humidity[:3] = 90.0
    answer = one(forecast({"humidity_pct": humidity}, 10))
    assert answer.best_odds == pytest.approx(0.7)
    assert [window.verdict for window in answer.windows] == [Verdict.TIGHT]


def test_thresholds_decide_what_is_go() -> None:
    humidity = np.full((10, STEPS), 60.0)
    humidity[:3] = 90.0
    answer = one(forecast({"humidity_pct": humidity}, 10), terms=Terms(Thresholds(0.65, 0.5)))
    assert answer.verdict is Verdict.GO


def test_preparation_needs_a_dry_part_but_not_yet_a_warm_one() -> None:
    limits = JobLimits(part_min_c=16.0, humidity_max_pct=75.0)
    job = Job("lay", 240.0, 120.0, limits=limits)
    cold = one(forecast({"part_c": between(9, 15, 20.0, 10.0)}), job).windows[0]
    damp = one(forecast({"humidity_pct": between(9, 15, 60.0, 80.0)}), job).windows[0]
    assert (cold.start_at, cold.end_at) == (at(7), at(9))
    assert (damp.start_at, damp.end_at) == (at(9), at(9))


def test_working_hours_keep_starts_inside_them() -> None:
    spans = working_spans([(at(8), at(18)), (at(32), at(42))])
    found = one(forecast(), terms=Terms(working=spans)).windows
    assert [(w.start_at, w.end_at) for w in found] == [(at(8), at(14)), (at(32), at(38))]
    assert {w.binds for w in found} == {Limit.HOURS}


def test_without_humidity_there_is_no_news_on_limits_that_need_it() -> None:
    found = forecast()
    dry = Forecast(
        found.issued_at, found.times_us, {k: v for k, v in found.paths.items() if k[1] != "humidity_pct"}
    )
    assert one(dry).verdict is Verdict.NO_NEWS
    assert one(dry, Job("lay", 240.0, limits=JobLimits(part_min_c=16.0))).verdict is Verdict.GO


def test_a_bay_that_is_not_forecast_is_no_news() -> None:
    (answer,) = windows(forecast(), [FOUR_HOURS], ["bow"])
    assert answer.verdict is Verdict.NO_NEWS


VINYL_ESTER = find_card("generic-vinyl-ester")


def test_the_limits_hold_until_the_last_pot_has_gelled() -> None:
    """A pot that gels later shuts the window earlier; without a card it ends with the work."""
    damp_after = {"humidity_pct": between(0, 15, 60.0, 90.0)}
    bare = one(forecast(damp_after), Job("lay", 60.0, limits=JobLimits(humidity_max_pct=75.0)))
    with_card = one(forecast(damp_after), Job("lay", 60.0, card=VINYL_ESTER, catalyst_pct=1.0, layers=6))
    quick = one(forecast(damp_after), Job("lay", 60.0, card=VINYL_ESTER, catalyst_pct=2.0, layers=6))
    ends = [answer.windows[-1].end_at for answer in (with_card, quick, bare)]
    assert ends[0] < ends[1] < ends[2] == at(14)


def test_a_stage_wanted_by_an_hour_shuts_the_window_before_it() -> None:
    """The last start is the latest whose cure is ready; ten minutes more and it is late, by name."""
    job = Job("lay", 60.0, card=VINYL_ESTER, catalyst_pct=1.5, layers=6, stage=Stage.SANDABLE, by=(at(30),))
    answer = one(forecast(paths=200), job)
    window = answer.windows[0]
    assert (window.start_at, window.binds) == (at(0), Limit.STAGE_LATE)
    # the card's own hours to sandable at 20 °C, counted from mixing the last of six pots
    (table,) = [table for table in VINYL_ESTER.stages if table.stage is Stage.SANDABLE]
    needs_h = float(np.interp(20.0, table.temps_c, table.times_h))
    latest = at(30 - needs_h - 5 / 6)
    # nine in ten batches must be ready, and the slowest take some 5 % longer than the sheet
    assert latest - timedelta(minutes=60) < window.end_at <= latest


@pytest.mark.parametrize(("spare_h", "holds"), [(0.5, True), (-0.5, False)])
def test_a_stage_wanted_within_hours_of_the_start_asks_every_start_alike(
    spare_h: float, *, holds: bool
) -> None:
    """The hours are the card's own to sandable at 20 °C, after an hour of laying six pots."""
    (table,) = [table for table in VINYL_ESTER.stages if table.stage is Stage.SANDABLE]
    within_h = float(np.interp(20.0, table.temps_c, table.times_h)) + 5 / 6 + spare_h
    job = Job(
        "lay", 60.0, card=VINYL_ESTER, catalyst_pct=1.5, layers=6, stage=Stage.SANDABLE, within_h=within_h
    )
    answer = one(forecast(paths=200), job, Terms(Thresholds(0.6, 0.6)))
    assert answer.starts is not None
    odds = answer.starts.odds[: 24 * 6]
    assert bool((odds > 0.6).all()) is holds
    assert odds == pytest.approx(odds[0])
    assert holds or answer.starts.binds(0) is Limit.STAGE_LATE


def test_a_part_too_cold_to_go_on_stalls_by_name() -> None:
    """Warm enough until gel, then a night far under the card's coldest number."""
    cold = between(0, 6, 20.0, 2.0)
    job = Job("lay", 60.0, card=VINYL_ESTER, catalyst_pct=1.5, layers=6, stage=Stage.SANDABLE)
    answer = one(forecast({"part_c": cold, "air_c": cold}), job)
    assert answer.starts is not None
    assert answer.starts.binds(0) is Limit.STALL


def test_one_big_pot_sets_before_it_is_laid() -> None:
    """Two hours of work in one pot is more than any percentage allows at 25 °C; twelve pots are not."""
    warm = {"part_c": 24.0, "air_c": 24.0}
    big = one(forecast(warm, 200), Job("lay", 240.0, card=VINYL_ESTER, layers=1))
    small = one(forecast(warm, 200), Job("lay", 240.0, card=VINYL_ESTER, layers=24))
    assert big.binds is Limit.WORK_TIME
    assert Remedy.SMALLER_POTS in {way.remedy for way in big.openings}
    assert small.verdict is Verdict.GO


def test_the_percentage_given_for_a_window_gives_the_work_time() -> None:
    """Cooler air, more catalyst; never beyond the card."""
    answers = [
        one(forecast({"part_c": temp, "air_c": temp}, 200), Job("lay", 80.0, card=VINYL_ESTER, layers=4))
        for temp in (17.0, 20.0, 24.0)
    ]
    pcts = [answer.windows[0].catalyst_pct or 0.0 for answer in answers]
    assert pcts == sorted(pcts, reverse=True)
    assert VINYL_ESTER.catalyst_min_pct <= min(pcts) <= max(pcts) <= VINYL_ESTER.catalyst_max_pct


def test_an_epoxy_must_stay_dry_until_it_is_tack_free() -> None:
    """Damp after gel but before tack-free spoils an epoxy (blush), not a vinyl ester."""
    epoxy = find_card("generic-epoxy-fast")
    dry_2h = {"humidity_pct": between(0, 2, 60.0, 80.0)}
    blushes = one(forecast(dry_2h, 200), Job("lay", 20.0, card=epoxy, layers=2))
    stays = one(forecast(dry_2h, 200), Job("lay", 20.0, card=VINYL_ESTER, layers=2))
    assert blushes.starts is not None
    assert blushes.starts.odds[0] < 0.1
    assert blushes.starts.binds(0) is Limit.HUMIDITY
    assert stays.starts is not None
    assert stays.starts.odds[0] > 0.9


def test_recalibrated_odds_take_the_place_of_the_paths_own() -> None:
    def doubted(bay: str, job: Job, starts: StartOdds) -> Array:
        return starts.odds * 0.7

    answer = one(forecast(), terms=Terms(recalibrate=doubted))
    assert answer.best_odds == pytest.approx(0.7)
    assert answer.verdict is Verdict.TIGHT
