"""A cure through the hours to come, on cases worked out by hand, and the odds it gives held against draws."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest

from forecast.card import Stage
from forecast.cure_ahead import (
    PartAhead,
    arrival,
    coldest_ahead,
    dew_ahead,
    part_ahead,
    ready,
    recoat_ahead,
    stage_paths,
    stages_ahead,
)
from forecast.cure_now import cure_now
from forecast.cure_outlook import Arrival, Basis, Dew, Remedy, Rescue, Wanted
from forecast.cure_state import CureState, Seen
from forecast.history import history
from forecast.pace import CureRates, Pace
from forecast.rate import Floats, arrhenius_rate
from forecast.rescue import relight, rescues
from forecast.tonight import CureTonight, Laid
from forecast.tonight_ahead import cure_outlook
from forecast.verdict import Verdict
from tests.forecast.curing import FLOOR_C, LAID_AT, a_card, a_pace, after, some_rates

PATHS = 200
HOURS = np.arange(1, 72 * 6 + 1) / 6.0
LAID = Laid("k1", "keel", "hull", a_card(), 1.5, LAID_AT)


def sharp_rates() -> CureRates:
    """Return a batch whose sheet has no band: gel 0.5 h, tack-free 3 h, sandable 8 h at 23 °C."""
    return CureRates(
        card=a_card(),
        catalyst_pct=1.5,
        stages=(
            (Stage.GEL, a_pace(0.5, 6000.0, band=1.0)),
            (Stage.TACK_FREE, a_pace(3.0, 6000.0, band=1.0)),
            (Stage.SANDABLE, a_pace(8.0, band=1.0)),
        ),
        opens=a_pace(2.0, 6000.0, band=1.0),
        closes=a_pace(24.0, 6000.0, band=1.0),
    )


def so_far(rates: CureRates, hours: float, temp_c: float = 23.0, seen: Seen | None = None) -> CureState:
    times = np.linspace(0.0, hours, 20)
    return cure_now(rates, history(times, np.full(20, temp_c), (0.0, hours)), LAID_AT, seen)


def paths_at(state: CureState, temps_c: Floats, margin_k: Floats | None = None) -> PartAhead:
    return part_ahead(state.at, state.warmth.now_c, HOURS, temps_c, margin_k)


def steady(state: CureState, temp_c: float = 23.0) -> PartAhead:
    return paths_at(state, np.full((PATHS, HOURS.size), temp_c))


def hours_of(at: object) -> float:
    assert at is not None
    return (at - LAID_AT) / timedelta(hours=1)  # type: ignore[operator, no-any-return]


def test_by_when_to_light_is_the_last_of_the_moments_that_are_soon_enough() -> None:
    """By hand; odds that rise again later do not count, for nobody is to bet on them."""
    when = [after(hours) for hours in (1.0, 2.0, 3.0, 4.0)]
    odds = (0.97, 0.93, 0.85, 0.91)
    found = relight(list(zip(when, odds, strict=True)), 0.2, 0.9)
    assert found == Rescue(Remedy.LIGHT, when[1], odds=0.93)
    assert relight([(when[0], 0.7), (when[1], 0.6)], 0.2, 0.9) == Rescue(Remedy.LIGHT, None, odds=0.7)
    assert relight([(when[0], 0.23)], 0.2, 0.9) is None  # it changes next to nothing
    assert relight([(when[0], 0.97)], 0.92, 0.9) is None  # it is not needed
    assert relight([], 0.2, 0.9) is None


def test_with_no_doubt_at_all_each_stage_comes_at_the_sheets_hour() -> None:
    """4 h at 23 °C behind it, 23 °C to come on every path, no band: sandable 8 h after laying, certainly."""
    rates = sharp_rates()
    state = so_far(rates, 4.0)
    ahead = steady(state)
    (sandable,) = stages_ahead(stage_paths(rates, state, ahead), ahead)
    assert sandable.stage is Stage.SANDABLE
    assert sandable.when.odds == 1.0
    for at in (sandable.when.earliest_at, sandable.when.likely_at, sandable.when.latest_at):
        assert hours_of(at) == pytest.approx(8.0, abs=1e-3)  # the rate's table
    assert recoat_ahead(rates, state, ahead)[0] is None  # it opened at 2 h
    closes = recoat_ahead(rates, state, ahead)[1]
    assert closes is not None
    assert hours_of(closes.likely_at) == pytest.approx(24.0, abs=1e-3)


def lopsided(hours: float, activation_k: float = 8000.0) -> Pace:
    """Return a pace whose batches are up to a quarter quicker and up to half slower, 8 of 10 of them."""
    return replace(a_pace(hours, activation_k, band=1.25), slow=a_pace(hours, activation_k, band=1.5).slow)


@pytest.mark.parametrize("hours_gone", [1e-3, 4.0])
def test_the_sheets_own_band_is_the_spread_where_warmth_is_certain(hours_gone: float) -> None:
    """A quarter quicker to half slower are 8 of 10 batches: 6.4 to 12 h after laying, whenever said."""
    rates = replace(sharp_rates(), stages=((Stage.SANDABLE, lopsided(8.0)),))
    state = so_far(rates, hours_gone)
    (sandable,) = stages_ahead(stage_paths(rates, state, steady(state)), steady(state))
    when = sandable.when
    assert hours_of(when.earliest_at) == pytest.approx(6.4, rel=0.02)  # one path in 200
    assert hours_of(when.likely_at) == pytest.approx(8.0, rel=0.02)
    assert hours_of(when.latest_at) == pytest.approx(12.0, rel=0.02)


def test_the_recoat_window_shuts_within_the_sheets_band() -> None:
    """24 h at 23 °C: 19.2 to 36 h after laying."""
    rates = replace(sharp_rates(), closes=lopsided(24.0, 6000.0))
    state = so_far(rates, 4.0)
    _, closes = recoat_ahead(rates, state, steady(state))
    assert closes is not None
    found = [hours_of(at) for at in (closes.earliest_at, closes.likely_at, closes.latest_at)]
    # what is had by now is taken as likely for all batches, so the band is that of the 20 h left
    assert found == pytest.approx([4.0 + 20.0 / 1.25, 24.0, 4.0 + 20.0 * 1.5], rel=0.02)


def test_a_part_too_cold_to_reckon_by_has_a_recoat_window_without_an_hour() -> None:
    """Not None, which says that the edge is past: the window is still to open."""
    rates = sharp_rates()
    state = so_far(rates, 4.0, FLOOR_C - 6.0)
    opens, closes = recoat_ahead(rates, state, steady(state, FLOOR_C - 6.0))
    assert opens == closes == Arrival(None, None, None)


def test_one_cure_in_ten_comes_before_the_earliest_and_one_after_the_latest() -> None:
    hours = np.random.default_rng(1).permutation(np.arange(1000) / 100.0)
    when = arrival(hours, LAID_AT)
    shares = [np.mean(hours < hours_of(at)) for at in (when.earliest_at, when.likely_at, when.latest_at)]
    assert shares == pytest.approx([0.1, 0.5, 0.9], abs=0.002)


def test_a_gel_seen_early_widens_what_is_yet_to_come_and_a_slip_of_the_mark_does_not() -> None:
    """Gel at 80 % of its time: the quick end of what follows is as much quicker, the slow end stays."""
    rates = some_rates()

    def band(seen: Seen | None) -> tuple[float, float]:
        state = so_far(rates, 1.5, seen=seen)
        sandable = stages_ahead(stage_paths(rates, state, steady(state)), steady(state))[1]
        assert sandable.stage is Stage.SANDABLE
        return hours_of(sandable.when.earliest_at), hours_of(sandable.when.latest_at)

    plain, early, slip = band(None), *(band(Seen({Stage.GEL: after(hours)})) for hours in (0.4, 0.05))
    assert plain == pytest.approx((6.4, 10.0), rel=0.02)
    assert early == pytest.approx((6.4 * 0.8, 10.0), rel=0.02)
    assert slip == plain


def test_half_the_paths_too_cold_are_half_the_odds() -> None:
    rates = sharp_rates()
    state = so_far(rates, 4.0)
    temps = np.full((PATHS, HOURS.size), 23.0)
    temps[::2] = FLOOR_C - 3.0
    ahead = paths_at(state, temps)
    paths = stage_paths(rates, state, ahead)
    (sandable,) = stages_ahead(paths, ahead)
    assert sandable.when.odds == 0.5
    assert sandable.when.latest_at is None
    found = ready(paths, state, ahead, Wanted(Stage.SANDABLE, after(9.0)))
    assert found is not None
    assert found.odds == 0.5


@pytest.mark.parametrize(("by_h", "odds"), [(7.9, 0.0), (8.1, 1.0), (3.0, 0.0), (90.0, None)])
def test_an_hour_wanted_is_met_missed_past_or_beyond_the_forecast(by_h: float, odds: float | None) -> None:
    rates = sharp_rates()
    state = so_far(rates, 4.0)
    ahead = steady(state)
    found = ready(stage_paths(rates, state, ahead), state, ahead, Wanted(Stage.SANDABLE, after(by_h)))
    assert found is not None
    assert found.odds == odds
    assert not found.reached


def test_a_stage_that_is_there_was_in_time_or_was_not() -> None:
    state = so_far(sharp_rates(), 9.0)
    in_time, late = (ready((), state, None, Wanted(Stage.SANDABLE, after(h))) for h in (8.5, 7.5))
    assert in_time is not None
    assert late is not None
    assert (in_time.reached, in_time.odds, late.reached, late.odds) == (True, 1.0, True, 0.0)
    assert ready((), state, None, Wanted(Stage.FULL, after(9.0))) is None  # its card has none


def test_no_stage_comes_before_the_one_before_it() -> None:
    rates = some_rates()
    state = so_far(rates, 0.2, 18.0)
    random = np.random.default_rng(3)
    ahead = paths_at(state, 18.0 + np.cumsum(random.normal(0.0, 0.4, (PATHS, HOURS.size)), axis=1))
    arrivals = [one.arrival_h for one in stage_paths(rates, state, ahead)]
    assert len(arrivals) == 4
    for before, later in pairwise(arrivals):
        assert np.all(later >= before)


def test_a_warmer_night_is_never_later() -> None:
    rates = some_rates()
    state = so_far(rates, 2.0, 18.0)
    random = np.random.default_rng(4)
    temps = 16.0 + np.cumsum(random.normal(0.0, 0.3, (PATHS, HOURS.size)), axis=1)
    cold, warm = (stage_paths(rates, state, paths_at(state, temps + k)) for k in (0.0, 2.0))
    for one, other in zip(cold, warm, strict=True):
        assert np.sort(other.arrival_h)[PATHS // 2] <= np.sort(one.arrival_h)[PATHS // 2]


def test_of_ten_cures_eight_come_within_the_band() -> None:
    """Warmth drawn as the paths are, quickness as the sheet's band says: 400 cures, 76 to 84 % inside."""
    random = np.random.default_rng(11)
    rates = replace(sharp_rates(), stages=((Stage.SANDABLE, a_pace(8.0, band=1.25)),))
    state = so_far(rates, 2.0, 18.0)

    def nights(count: int) -> Floats:
        walk = np.cumsum(random.normal(0.0, 0.25, (count, HOURS.size)), axis=1)
        return 18.0 + random.normal(0.0, 1.0, (count, 1)) + walk

    ahead = paths_at(state, nights(PATHS))
    (sandable,) = stages_ahead(stage_paths(rates, state, ahead), ahead)
    truth = np.exp(random.normal(0.0, np.log(1.25) / 1.2816, 400))
    rate = arrhenius_rate(8000.0, 23.0, 8.0)
    done = np.cumsum(rate.per_h(np.column_stack((np.full((400, 1), 18.0), nights(400))))[:, 1:] / 6.0, axis=1)
    total = (2.0 * float(rate.per_h(18.0)) + done) * truth[:, None]
    came_h = 2.0 + HOURS[np.argmax(total >= 1.0, axis=1)]
    early, late = hours_of(sandable.when.earliest_at), hours_of(sandable.when.latest_at)
    assert 0.76 <= np.mean((came_h >= early) & (came_h <= late)) <= 0.84


def test_the_coldest_hour_is_looked_for_until_the_hour_wanted() -> None:
    rates = sharp_rates()
    state = so_far(rates, 1.0)
    temps = np.full((PATHS, HOURS.size), 20.0)
    temps[:, (HOURS > 5.0) & (HOURS < 7.5)] = 9.0
    temps[:, (HOURS > 30.0) & (HOURS < 40.0)] = 2.0
    found = coldest_ahead(paths_at(state, temps), after(13.0))
    assert found is not None
    assert (found.low_c, found.likely_c, found.high_c) == (9.0, 9.0, 9.0)
    assert 5.0 <= hours_of(found.at) - 1.0 <= 6.5
    assert found.until_at == after(13.0)
    assert coldest_ahead(paths_at(state, temps), after(1.5)) is None
    one_hour = coldest_ahead(paths_at(state, temps), after(2.0))
    assert one_hour is not None
    assert one_hour.at == after(1.0)


def test_dew_counts_only_while_the_surface_is_wet() -> None:
    """Tack-free comes 3 h after laying; dew on half the paths at 2 h, on all of them at 5 h."""
    rates = sharp_rates()
    state = so_far(rates, 1.0)
    margin = np.full((PATHS, HOURS.size), 4.0)
    margin[:, HOURS > 4.0] = -1.0
    margin[: PATHS // 2, (HOURS > 0.99) & (HOURS < 1.2)] = -0.5
    ahead = paths_at(state, np.full((PATHS, HOURS.size), 23.0), margin)
    found = dew_ahead(stage_paths(rates, state, ahead), ahead)
    assert found is not None
    assert found.odds == 0.5
    assert hours_of(found.earliest_at) == pytest.approx(2.0)
    dry = so_far(rates, 4.0)
    assert dew_ahead(stage_paths(rates, dry, steady(dry)), steady(dry)) is None


def test_the_least_warming_that_is_enough_is_offered_and_the_last_hour_for_a_heater() -> None:
    """16 °C to come, sandable wanted at 10 h: by hand, the rate needed over the 5.5 h left from 4.5 h on."""
    rates = sharp_rates()
    state = so_far(rates, 4.0)  # half way
    ahead = steady(state, 16.0)
    paths = stage_paths(rates, state, ahead)
    dew = None
    warm, heater = rescues(paths[-1], after(10.0), dew, ahead, 0.9)
    rate = arrhenius_rate(8000.0, 23.0, 8.0)

    def had(warmer_k: float, from_h: float) -> float:
        cold, warmed = float(rate.per_h(16.0)), float(rate.per_h(16.0 + warmer_k))
        return 0.5 + cold * (from_h - 4.0) + warmed * (10.0 - from_h)

    assert warm.remedy is Remedy.WARM
    assert warm.warmer_k is not None
    assert had(warm.warmer_k, 4.5) >= 1.0 > had(warm.warmer_k - 1.0, 4.5)
    assert [hours_of(warm.by_at), warm.hold_h, warm.odds] == pytest.approx([4.5, 5.5, 1.0])
    assert warm.part_c == pytest.approx(16.0 + warm.warmer_k)
    assert heater.remedy is Remedy.HEATER_ON
    last_h = hours_of(heater.by_at)
    assert had(10.0, last_h - 0.01) >= 0.99  # the way from 23 to 16 °C in the first ten minutes
    assert had(10.0, last_h + 1.0 / 6.0) < 1.01


@pytest.mark.parametrize(("odds", "offered"), [(0.09, ()), (0.1, (Remedy.COVER,))])
def test_a_cover_is_offered_from_the_odds_of_dew_that_are_worth_it(
    odds: float, offered: tuple[Remedy, ...]
) -> None:
    """One night in ten: our choice. It is wanted by the earliest hour, or the likely one."""
    state = so_far(sharp_rates(), 1.0)
    for dew in (Dew(odds, after(3.0), after(5.0)), Dew(odds, None, after(3.0))):
        found = rescues(None, None, dew, steady(state), 0.9)
        assert tuple(one.remedy for one in found) == offered
        assert all(one.by_at == after(3.0) for one in found)


def test_nothing_is_offered_where_nothing_need_or_can_be_done() -> None:
    rates = sharp_rates()
    state = so_far(rates, 4.0)
    warm, cold = steady(state), steady(state, 13.0)
    assert rescues(stage_paths(rates, state, warm)[-1], after(10.0), None, warm, 0.9) == ()
    assert rescues(stage_paths(rates, state, cold)[-1], after(5.0), None, cold, 0.9) == ()


def test_a_stalled_part_is_told_how_warm_it_must_be() -> None:
    state = so_far(some_rates(), 3.0, 9.0)
    found = cure_outlook(CureTonight(LAID, state, some_rates()), steady(state, 9.0))
    assert found.verdict is Verdict.TIGHT
    (rescue,) = found.rescues
    assert rescue.remedy is Remedy.WARM
    assert [rescue.warmer_k, rescue.part_c] == pytest.approx([3.0, 12.0])


@pytest.mark.parametrize(
    ("share_cold", "verdict"), [(0.05, Verdict.GO), (0.3, Verdict.TIGHT), (0.5, Verdict.NO_GO)]
)
def test_the_verdict_follows_the_odds_of_being_ready(share_cold: float, verdict: Verdict) -> None:
    rates = sharp_rates()
    laid = replace(LAID, wanted=Wanted(Stage.SANDABLE, after(12.0)))
    state = so_far(rates, 4.0)
    temps = np.full((PATHS, HOURS.size), 23.0)
    temps[: int(share_cold * PATHS)] = 5.0
    found = cure_outlook(CureTonight(laid, state, rates), paths_at(state, temps))
    assert found.verdict is verdict
    assert found.basis is Basis.FORECAST


def test_without_a_forecast_the_last_hours_warmth_stands_in_and_that_is_said() -> None:
    laid = replace(LAID, wanted=Wanted(Stage.SANDABLE, after(9.0)))
    state = so_far(some_rates(), 4.0)
    found = cure_outlook(CureTonight(laid, state, some_rates()), None)
    assert found.basis is Basis.LAST_HOURS
    assert found.verdict is Verdict.TIGHT  # likely at 8 h, at the latest 10 h
    assert [one.stage for one in found.ahead] == [Stage.SANDABLE, Stage.FULL]
    assert hours_of(found.ahead[0].when.likely_at) == pytest.approx(8.0, abs=1e-3)
    assert found.ahead[0].when.odds is None
    assert any("no forecast" in note for note in found.notes)


def test_no_readings_are_no_news_whatever_the_paths_say() -> None:
    assert cure_outlook(CureTonight(LAID, None, some_rates()), None).verdict is Verdict.NO_NEWS
    part = history([0.0, 1.0], [23.0, 23.0], (0.0, 6.0))
    silent = cure_now(some_rates(), part, LAID_AT)
    found = cure_outlook(CureTonight(LAID, silent, some_rates()), steady(silent))
    assert (found.verdict, found.basis, found.ahead) == (Verdict.NO_NEWS, Basis.NOTHING, ())
