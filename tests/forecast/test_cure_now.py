"""Where a cure stands: stages, what people saw, what is missing, and what to beware of."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.card import Family, Stage
from forecast.cautions import Air, Caution, Trouble, hardener_cautions
from forecast.cure_now import believable_gel, cure_now
from forecast.cure_state import CureState, Seen, StageState
from forecast.history import History, history
from forecast.pace import CureRates
from tests.forecast.curing import FLOOR_C, LAID_AT, a_card, a_pace, after, some_rates

_RATES = some_rates()


def steady(temp_c: float, hours: float) -> History:
    """Return a history at one temperature, a reading every ten minutes."""
    times = np.arange(0.0, hours + 1e-9, 1.0 / 6.0)
    return history(times, np.full(times.size, temp_c), (0.0, hours))


def of(state: CureState, stage: Stage) -> StageState:
    return next(s for s in state.stages if s.stage is stage)


def troubles(state: CureState) -> dict[Trouble, Caution]:
    return {caution.trouble: caution for caution in state.cautions}


def seconds_off(at: datetime | None, wanted: datetime) -> float:
    assert at is not None
    return abs((at - wanted).total_seconds())


def test_at_the_reference_temperature_every_stage_takes_the_sheets_time() -> None:
    state = cure_now(some_rates(), steady(23.0, 9.0), LAID_AT)
    assert state.stage is Stage.SANDABLE
    for stage, hours in ((Stage.GEL, 0.5), (Stage.TACK_FREE, 3.0), (Stage.SANDABLE, 8.0)):
        assert of(state, stage).progress == 1.0
        assert seconds_off(of(state, stage).reached_at, after(hours)) < 0.01
    full = of(state, Stage.FULL)
    assert full.progress == pytest.approx(9.0 / 60.0)
    assert full.needed_h == pytest.approx(51.0)
    assert full.reached_at is None
    assert seconds_off(full.when.likely_at, after(60.0)) < 0.01
    assert state.equivalent_stage is Stage.FULL
    assert state.equivalent_hours == pytest.approx(9.0)
    assert state.equivalent_age_hours == pytest.approx(9.0)
    assert state.degree_hours == pytest.approx(9.0 * 18.0)
    assert of(state, Stage.SANDABLE).degree_hours == pytest.approx(8.0 * 18.0)
    assert of(state, Stage.SANDABLE).equivalent_hours == pytest.approx(8.0)
    assert not state.stalled
    assert state.gap_h == 0.0


def test_the_band_brackets_the_likely() -> None:
    """The paces' band is a quarter either way."""
    state = cure_now(some_rates(), steady(23.0, 4.0), LAID_AT)
    sandable = of(state, Stage.SANDABLE)
    assert (sandable.progress_low, sandable.progress, sandable.progress_high) == pytest.approx(
        (0.4, 0.5, 0.625)
    )
    assert seconds_off(sandable.when.earliest_at, after(6.4)) < 0.01
    assert seconds_off(sandable.when.latest_at, after(10.0)) < 0.01


def test_what_is_left_is_told_at_the_warmth_of_the_last_hours() -> None:
    """Six cold hours after three warm ones: what counts is how warm it has been lately."""
    times = np.arange(0.0, 9.01, 0.5)
    part = history(times, np.where(times <= 3.0, 23.0, 15.0), (0.0, 9.0))
    state = cure_now(some_rates(), part, LAID_AT)
    full = of(state, Stage.FULL)
    assert state.warmth.last_hours_c == pytest.approx(15.0)
    left_h = (1.0 - full.progress) * float(some_rates().stages[-1][1].likely.hours(15.0))
    assert full.needed_h == pytest.approx(left_h)
    assert full.needed_reference_h == pytest.approx((1.0 - full.progress) * 60.0)
    assert seconds_off(full.when.likely_at, after(9.0 + left_h)) < 0.01


def test_equivalent_age_ages_by_the_published_5000_k() -> None:
    """ASTM C1074: the age at 23 °C is t exp(-Q (1/T - 1/T_ref)), Q = 5000 K where nothing better is known."""
    cool = cure_now(some_rates(), steady(13.0, 9.0), LAID_AT)
    factor = float(np.exp(-5000.0 * (1.0 / 286.15 - 1.0 / 296.15)))
    assert cool.equivalent_age_hours == pytest.approx(9.0 * factor, rel=1e-4)  # rates stand every 1/90 K


def test_the_last_hours_are_three() -> None:
    """Colder for three hours to the minute: nothing of the warmth before them is in their mean."""
    part = history([0.0, 5.999, 6.0, 9.0], [23.0, 23.0, 15.0, 15.0], (0.0, 9.0), hole_h=9.0)
    assert cure_now(some_rates(), part, LAID_AT).warmth.last_hours_c == pytest.approx(15.0, abs=0.01)


def test_a_part_that_has_just_got_cold_is_stalled_and_one_warm_again_was() -> None:
    cooled = cure_now(some_rates(), history([0.0, 1.0, 1.3], [23.0, 23.0, 6.0], (0.0, 1.3)), LAID_AT)
    assert cooled.warmth.now_c == 6.0
    assert cooled.stalled
    assert Trouble.STALLED in troubles(cooled)
    times, temps = [0.0, 1.0, 1.001, 6.0, 6.001, 7.0], [23.0, 23.0, 6.0, 6.0, 23.0, 23.0]
    warm_again = cure_now(some_rates(), history(times, temps, (0.0, 7.0), hole_h=6.0), LAID_AT)
    assert not warm_again.stalled
    assert troubles(warm_again)[Trouble.STALLED].span_h == pytest.approx(5.0, abs=0.01)


def test_a_cure_too_cold_is_stalled_and_says_for_how_long() -> None:
    """Five hours at 6 °C under a floor of 12 °C: nothing counted, nothing promised."""
    times = [0.0, 2.0, 2.001, 7.0]
    part = history(times, [23.0, 23.0, 6.0, 6.0], (0.0, 7.0), hole_h=6.0)
    state = cure_now(some_rates(), part, LAID_AT)
    assert state.stalled
    assert state.stalled_h == pytest.approx(5.0, abs=0.01)
    sandable = of(state, Stage.SANDABLE)
    assert sandable.progress == pytest.approx(0.25, abs=0.001)
    assert sandable.needed_h is None
    assert sandable.when.likely_at is None
    assert sandable.when.latest_at is None
    # in the cold the quick end goes on: a window that shuts must not surprise
    assert sandable.progress_high > 1.25 * 0.25
    caution = troubles(state)[Trouble.STALLED]
    assert caution.temp_c == FLOOR_C
    assert caution.span_h == pytest.approx(5.0, abs=0.01)


def test_a_cure_that_is_through_does_not_stall() -> None:
    """A boat that stands finished in a frosty shed needs nobody at night."""
    part = history([0.0, 70.0, 71.0, 90.0], [23.0, 23.0, 1.0, 1.0], (0.0, 90.0), hole_h=99.0)
    state = cure_now(some_rates(), part, LAID_AT)
    assert state.stage is Stage.FULL
    assert not state.stalled
    assert Trouble.STALLED not in troubles(state)


def test_missing_readings_give_an_interval_and_are_said() -> None:
    part = history([0.0, 1.0, 7.0, 8.0], [24.0, 20.0, 14.0, 18.0], (0.0, 8.0))
    state = cure_now(some_rates(), part, LAID_AT)
    whole = cure_now(some_rates(), history([0, 1, 7, 8], [24, 20, 14, 18], (0.0, 8.0), 9.0), LAID_AT)
    assert state.gap_h == pytest.approx(6.0)
    assert troubles(state)[Trouble.NO_READINGS].span_h == pytest.approx(6.0)
    full, known = of(state, Stage.FULL), of(whole, Stage.FULL)
    assert full.progress == pytest.approx(known.progress, rel=1e-6)
    assert full.progress_low < known.progress_low
    assert full.progress_high > known.progress_high


def test_nothing_is_reached_in_a_silence_that_lasts() -> None:
    """Sandable would have been at 8 h; the last reading came at 6 h, and now it is 20 h."""
    part = history(np.arange(0.0, 6.1, 0.5), np.full(13, 23.0), (0.0, 20.0))
    state = cure_now(_RATES, part, LAID_AT)
    assert state.silent_h == pytest.approx(14.0)
    assert state.stage is Stage.TACK_FREE
    sandable = of(state, Stage.SANDABLE)
    assert sandable.reached_at is None
    assert sandable.progress == pytest.approx(6.0 / 10.0)  # what the slow end of the band had by then
    assert not state.stalled
    # what was seen is known all the same
    seen = cure_now(_RATES, part, LAID_AT, Seen({Stage.SANDABLE: after(15.0)}))
    assert seen.stage is Stage.SANDABLE


def test_a_stage_that_may_have_come_in_a_hole_counts_once_it_is_certain() -> None:
    """From 6 to 12 h nothing was heard; after it, only the latest bound makes a stage sure."""
    times = np.concatenate([np.arange(0.0, 6.1, 0.5), np.arange(12.0, 30.1, 0.5)])
    temps = np.where(times < 1.0, 13.0, 23.0)

    def by(now_h: float) -> CureState:
        known = times <= now_h
        return cure_now(_RATES, history(times[known], temps[known], (0.0, now_h)), LAID_AT)

    assert by(13.0).silent_h == 0.0
    unsure = of(by(13.0), Stage.SANDABLE)
    assert unsure.reached_at is None
    assert unsure.progress < 1.0
    assert unsure.progress_high == 1.0
    sure = of(by(20.0), Stage.SANDABLE)
    assert sure.progress == 1.0
    assert of(by(13.0), Stage.TACK_FREE).reached_at is not None  # before the hole


def test_a_gel_that_was_seen_overrides_and_widens_what_follows() -> None:
    """Gel after 80 % of the sheet's time: later stages may be as much quicker, but are not promised to be."""
    seen = Seen({Stage.GEL: after(0.4)})
    state = cure_now(some_rates(), steady(23.0, 1.5), LAID_AT, seen)
    plain = cure_now(some_rates(), steady(23.0, 1.5), LAID_AT)
    assert of(state, Stage.GEL).reached_at == after(0.4)
    assert of(state, Stage.GEL).seen
    assert state.gel_ratio == pytest.approx(0.8)
    tack, before = of(state, Stage.TACK_FREE), of(plain, Stage.TACK_FREE)
    assert tack.when.likely_at == before.when.likely_at
    assert tack.progress_high == pytest.approx(before.progress_high / 0.8)
    assert tack.progress_low == before.progress_low
    late = cure_now(some_rates(), steady(23.0, 1.5), LAID_AT, Seen({Stage.GEL: after(0.75)}))
    assert of(late, Stage.TACK_FREE).progress_low == pytest.approx(before.progress_low / 1.5)
    assert of(late, Stage.TACK_FREE).progress_high == before.progress_high


def test_an_odd_gel_mark_is_kept_but_not_believed_further() -> None:
    """Gel marked after a tenth of the sheet's time is a slip; the later stages keep their band."""
    state = cure_now(some_rates(), steady(23.0, 2.0), LAID_AT, Seen({Stage.GEL: after(0.05)}))
    plain = cure_now(some_rates(), steady(23.0, 2.0), LAID_AT)
    assert troubles(state)[Trouble.ODD_GEL].ratio == pytest.approx(0.1)
    assert of(state, Stage.SANDABLE) == of(plain, Stage.SANDABLE)


def test_a_later_stage_that_was_seen_brings_the_earlier_ones_with_it() -> None:
    """Ground at 5 h, though the sheet says 8 h: gel and tack-free are behind it, full is not before it."""
    state = cure_now(some_rates(), steady(14.0, 6.0), LAID_AT, Seen({Stage.SANDABLE: after(5.0)}))
    assert state.stage is Stage.SANDABLE
    tack = of(state, Stage.TACK_FREE)
    assert tack.reached_at == after(5.0)  # worked out for later than that
    assert (tack.progress, tack.progress_low, tack.progress_high) == (1.0, 1.0, 1.0)
    full_at = of(state, Stage.FULL).when.earliest_at
    assert full_at is not None
    assert full_at >= after(5.0)


def test_gel_seen_late_holds_back_the_stages_after_it() -> None:
    """A sheet that calls it tack-free at 3 h is wrong if it was seen to gel at 4 h."""
    state = cure_now(some_rates(), steady(23.0, 5.0), LAID_AT, Seen({Stage.GEL: after(4.0)}))
    assert of(state, Stage.TACK_FREE).reached_at == after(4.0)


def test_the_coldest_and_the_warmest_hour_and_what_softens_it() -> None:
    """Four hours at 22 °C: a glass transition of at most 33 °C (Cook et al. 1997: + 11 °C)."""
    times = [0.0, 3.0, 3.1, 7.1, 7.2, 10.0]
    part = history(times, [14.0, 14.0, 22.0, 22.0, 13.0, 13.0], (0.0, 10.0), hole_h=9.0)
    warmth = cure_now(some_rates(), part, LAID_AT).warmth
    assert warmth.hottest_hour_c == pytest.approx(22.0)
    assert warmth.coldest_hour_c == pytest.approx(13.0)
    assert warmth.coldest_at is not None
    assert warmth.coldest_at >= after(7.2)
    assert warmth.softens_above_c == pytest.approx(33.0)
    assert warmth.now_c == 13.0


def test_a_young_cure_has_no_warmest_hour_yet() -> None:
    state = cure_now(some_rates(), steady(20.0, 0.5), LAID_AT)
    assert state.stage is None
    assert state.warmth.hottest_hour_c is None
    assert state.warmth.softens_above_c is None
    assert state.warmth.last_hours_c == pytest.approx(20.0)
    assert cure_now(some_rates(), steady(20.0, 1.0), LAID_AT).warmth.hottest_hour_c == pytest.approx(20.0)


def test_softening_is_a_caution_on_a_part_that_is_ready_to_go_outdoors() -> None:
    """Full cure by the sheet at 20 °C still softens in the sun; a part cured at 55 °C hardly does."""
    ready = cure_now(some_rates(), steady(20.0, 100.0), LAID_AT)
    assert ready.stage is Stage.FULL
    assert troubles(ready)[Trouble.SOFTENS].temp_c == pytest.approx(31.0)
    young = cure_now(some_rates(), steady(20.0, 5.0), LAID_AT)
    assert young.warmth.softens_above_c == pytest.approx(31.0)
    assert Trouble.SOFTENS not in troubles(young)
    hot, hotter = (troubles(cure_now(some_rates(), steady(temp_c, 20.0), LAID_AT)) for temp_c in (48.5, 49.5))
    assert Trouble.SOFTENS in hot  # to 59.5 °C, and a dark hull in the sun has 60
    assert Trouble.SOFTENS not in hotter


def test_the_recoat_window_counts_as_shut_from_the_earliest_it_may_be() -> None:
    """24 h at 23 °C, a quarter quicker at best: shut from 19.2 h, unless the next ply is on."""
    open_still = cure_now(some_rates(), steady(23.0, 19.0), LAID_AT)
    assert Trouble.RECOAT_CLOSED not in troubles(open_still)
    assert open_still.opens is not None
    assert seconds_off(open_still.opens.likely_at, after(2.0)) < 0.01
    assert open_still.closes is not None
    assert seconds_off(open_still.closes.likely_at, after(24.0)) < 0.01
    shut = cure_now(some_rates(), steady(23.0, 20.0), LAID_AT)
    assert troubles(shut)[Trouble.RECOAT_CLOSED].span_h == pytest.approx(0.8, abs=1e-6)
    plied = cure_now(some_rates(), steady(23.0, 20.0), LAID_AT, Seen(next_ply_at=after(6.0)))
    assert Trouble.RECOAT_CLOSED not in troubles(plied)


def test_leaving_the_sheets_table_is_said_on_its_side() -> None:
    hot = cure_now(some_rates(), steady(40.0, 1.0), LAID_AT)
    caution = troubles(hot)[Trouble.OUTSIDE_SHEET]
    assert caution.temp_c == 35.0
    assert caution.span_h == pytest.approx(1.0)
    for on_the_sheet_c in (12.0, 35.0):
        assert Trouble.OUTSIDE_SHEET not in troubles(
            cure_now(some_rates(), steady(on_the_sheet_c, 2.0), LAID_AT)
        )


def air(temp_c: float, humidity_pct: float) -> Air:
    return Air(np.array([0.0, 20.0]), np.full(2, temp_c), np.full(2, humidity_pct))


@pytest.mark.parametrize(
    ("family", "part_c", "air_c", "humidity_pct", "blush_h"),
    [
        (Family.EPOXY, 13.0, 14.0, 75.0, 2.0),  # cold and damp
        (Family.EPOXY, 13.0, 13.0, 60.0, None),  # cold but dry
        (Family.EPOXY, 18.0, 18.0, 75.0, None),  # damp but warm, margin 4.5 K
        (Family.EPOXY, 18.0, 24.0, 65.0, 2.0),  # a part colder than its air: margin under 3 K
        (Family.VINYL_ESTER, 13.0, 14.0, 90.0, None),  # no amine
    ],
)
def test_amine_blush_needs_a_wet_epoxy_cold_and_damp(
    family: Family, part_c: float, air_c: float, humidity_pct: float, blush_h: float | None
) -> None:
    """Below 15 °C in air over 70 %, or within 3 K of the dew point: common practice, no source."""
    state = cure_now(some_rates(a_card(family)), steady(part_c, 2.0), LAID_AT, air=air(air_c, humidity_pct))
    caution = troubles(state).get(Trouble.BLUSH)
    assert (caution and caution.span_h) == (blush_h and pytest.approx(blush_h))


def test_a_surface_past_tack_free_no_longer_blushes() -> None:
    """Only the hours until it was seen tack-free count."""
    seen = Seen({Stage.TACK_FREE: after(1.0)})
    state = cure_now(some_rates(a_card(Family.EPOXY)), steady(13.0, 9.0), LAID_AT, seen, air(13.0, 80.0))
    assert troubles(state)[Trouble.BLUSH].span_h == pytest.approx(1.0)
    assert Trouble.BLUSH not in troubles(cure_now(some_rates(), steady(13.0, 9.0), LAID_AT, seen))


def test_without_a_tack_free_time_a_surface_is_wet_until_gel() -> None:
    rates = some_rates(a_card(Family.EPOXY))
    rates = replace(rates, stages=tuple(one for one in rates.stages if one[0] is not Stage.TACK_FREE))
    state = cure_now(rates, steady(13.0, 9.0), LAID_AT, Seen({Stage.GEL: after(2.0)}), air(13.0, 80.0))
    assert troubles(state)[Trouble.BLUSH].span_h == pytest.approx(2.0)


def test_a_gel_seen_on_a_card_without_gel_times_says_nothing_of_its_pace() -> None:
    rates = some_rates()
    rates = replace(rates, stages=tuple(one for one in rates.stages if one[0] is not Stage.GEL))
    state = cure_now(rates, steady(23.0, 2.0), LAID_AT, Seen({Stage.GEL: after(0.2)}))
    assert state.gel_ratio is None
    assert Trouble.ODD_GEL not in troubles(state)


@pytest.mark.parametrize(("ratio", "believed"), [(0.39, False), (0.4, True), (2.5, True), (2.51, False)])
def test_a_gel_two_and_a_half_times_off_its_sheet_is_believed_and_no_more(
    ratio: float, *, believed: bool
) -> None:
    """Our choice, no source."""
    assert believable_gel(ratio) == believed


def test_hardener_outside_the_cards_range_is_a_caution() -> None:
    assert hardener_cautions(a_card(), 0.8) == (Caution(Trouble.TOO_LITTLE_HARDENER, hardener_pct=0.8),)
    assert hardener_cautions(a_card(), 2.5) == (Caution(Trouble.TOO_MUCH_HARDENER, hardener_pct=2.5),)
    assert hardener_cautions(a_card(), 1.0) == ()
    with pytest.raises(ValueError, match="catalyst_pct"):
        hardener_cautions(a_card(), 0.0)
    state = cure_now(some_rates(catalyst_pct=0.8), steady(23.0, 1.0), LAID_AT, Seen(dew_at=after(0.5)))
    assert {Trouble.TOO_LITTLE_HARDENER, Trouble.DEW} <= set(troubles(state))


@given(
    st.lists(st.floats(-5.0, 45.0), min_size=3, max_size=20),
    st.floats(0.0, 10.0),
    st.dictionaries(st.sampled_from(list(Stage)), st.floats(0.0, 10.0), max_size=2),
    st.lists(st.sampled_from([0.5, 1.0, 4.0]), min_size=20, max_size=20),
)
def test_whatever_happened_the_state_hangs_together(
    temps: list[float], warmer_k: float, seen_h: dict[Stage, float], steps_h: list[float]
) -> None:
    """Bounds bracket the likely, times are in order; and without holes a warmer part is never behind."""
    times = np.cumsum(steps_h[: len(temps)])
    now_h = float(times[-1])
    seen = Seen({stage: after(min(h, now_h)) for stage, h in seen_h.items()})
    cool = cure_now(_RATES, history(times, temps, (0.0, now_h)), LAID_AT, seen)
    warm = cure_now(_RATES, history(times, np.add(temps, warmer_k), (0.0, now_h)), LAID_AT, seen)
    for stage, warmer in zip(cool.stages, warm.stages, strict=True):
        assert stage.progress_low <= stage.progress + 1e-9
        assert stage.progress <= stage.progress_high + 1e-9
        assert (stage.reached_at is not None) == (stage.progress == 1.0)
        assert warmer.progress >= stage.progress - 1e-9 or cool.gap_h
        known = [at for at in (stage.when.earliest_at, stage.when.likely_at, stage.when.latest_at) if at]
        assert known == sorted(known)
    assert warm.degree_hours >= cool.degree_hours - 1e-9
    assert warm.equivalent_hours >= cool.equivalent_hours - 1e-9


def test_a_batch_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="no stages"):
        CureRates(a_card(), 1.5, ())
    cold = a_pace(3.0)
    never = type(cold)(cold.quick, cold.likely.fading_below(40.0), cold.slow, 40.0, 40.0, 60.0)
    with pytest.raises(ValueError, match=r"card test: reference_c: at 23 °C it never gets full"):
        CureRates(a_card(), 1.5, ((Stage.FULL, never),))
    with pytest.raises(ValueError, match="ratio"):
        cold.widened(0.0)
    with pytest.raises(ValueError, match="no UTC offset"):
        cure_now(some_rates(), steady(20.0, 1.0), LAID_AT.replace(tzinfo=None))


def test_marks_made_before_laying_or_after_now_count_at_the_ends() -> None:
    """Phones' clocks differ: a gel marked a minute before laying does not crash the night."""
    state = cure_now(some_rates(), steady(23.0, 1.0), LAID_AT, Seen({Stage.GEL: after(-1.0 / 60.0)}))
    assert state.gel_ratio == 0.0
    assert Trouble.ODD_GEL in troubles(state)
    assert state.at == LAID_AT + timedelta(hours=1)
