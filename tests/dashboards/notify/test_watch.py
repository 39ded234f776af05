"""Alarms: believed late, told once, hidden behind their cause, ended; people woken at most twice."""

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.notify.causes import ALWAYS_WAKES, ON_READINGS, RULES, AlarmCause
from dashboards.notify.finding import Facts, Finding, Sight, Spot
from dashboards.notify.states import UNKNOWN_ENDS, UNSEEN_FOR, Standing, Turn, acknowledged, set_aside
from dashboards.notify.watch import WAKE_UPS_PER_NIGHT, Kind, Policy, step
from tests.dashboards.notify.support import (
    DEW,
    EVENING,
    LATE,
    LOST,
    MIDNIGHT,
    NO_HEAT,
    POLICY,
    RECOAT,
    STALL,
    Night,
    sees,
)


def test_a_cause_must_stay_before_it_is_believed() -> None:
    night = Night()
    assert not night.look(sees(LATE, wakes=True), minutes=15)
    (notice,) = night.look(sees(LATE, wakes=True))
    assert (notice.kind, notice.urgent, notice.wakes) == (Kind.RAISED, True, True)
    assert notice.thread == "k1"


def test_a_flicker_wakes_nobody() -> None:
    night = Night()
    for _ in range(12):
        assert not night.look(sees(LATE, wakes=True), minutes=10)
        assert not night.look(sees(LATE, Sight.CLEAR))
    assert not night.watch.live


def test_the_dead_band_neither_raises_nor_ends() -> None:
    night = Night()
    night.look(sees(LATE, Sight.BETWEEN, wakes=True), minutes=600)
    assert not night.notices
    night.look(sees(LATE), minutes=20)
    night.look(sees(LATE, Sight.BETWEEN), minutes=600)
    assert len(night.watch.live) == 1


def test_what_clears_is_told_once_and_stays_unseen_until_somebody_looks() -> None:
    night = Night()
    night.look(sees(LATE, wakes=True), minutes=20)
    told = night.look(sees(LATE, Sight.CLEAR), minutes=120)
    assert [notice.kind for notice in told] == [Kind.CLEARED]
    (alarm,) = night.watch.alarms
    assert alarm.standing is Standing.CLEARED_UNSEEN
    assert acknowledged(alarm, night.at, "cli").standing is Standing.NORMAL
    night.look(sees(LATE, Sight.CLEAR), minutes=UNSEEN_FOR // timedelta(minutes=1))
    assert night.watch.alarms[0].standing is Standing.NORMAL


def test_nobody_answers_so_the_second_person_is_told_once() -> None:
    night = Night()
    night.look(sees(LATE, wakes=True), minutes=20)
    told = night.look(sees(LATE, wakes=True), minutes=300)
    assert [(notice.kind, notice.second) for notice in told] == [(Kind.ESCALATED, True)]
    raised, escalated = night.notices
    assert escalated.at - raised.at == POLICY.escalate_after


def test_an_answer_ends_the_telling() -> None:
    night = Night()
    night.look(sees(LATE, wakes=True), minutes=20)
    night.change(acknowledged(alarm, night.at, "cli") for alarm in night.watch.alarms)
    assert not night.look(sees(LATE, wakes=True), minutes=300)
    assert night.watch.live[0].standing is Standing.ACKNOWLEDGED


def test_set_aside_is_silent_until_its_end_then_told_anew() -> None:
    night = Night(EVENING - timedelta(hours=8))
    night.look(sees(RECOAT), minutes=10)
    until = night.at + timedelta(hours=2)
    night.change(set_aside(alarm, night.at, until, "cli") for alarm in night.watch.alarms)
    assert not night.look(sees(RECOAT), minutes=120)
    (notice,) = night.look(sees(RECOAT))
    assert notice.kind is Kind.RAISED
    with pytest.raises(ValueError, match="which is past"):
        set_aside(notice.alarms[0], night.at, night.at, "cli")


def test_what_can_wait_waits_for_the_end_of_the_quiet_hours() -> None:
    night = Night()
    (notice,) = night.look(sees(RECOAT), minutes=10)
    assert not notice.urgent
    assert notice.hold_until == MIDNIGHT + timedelta(hours=6.5)


def test_a_cures_fate_is_told_at_once_but_without_a_sound() -> None:
    night = Night()
    (notice,) = night.look(sees(LATE), minutes=20)
    assert (notice.urgent, notice.silent, notice.hold_until) == (False, True, None)


def test_what_was_calm_gets_people_up_once_it_presses() -> None:
    """First told by night, without a sound: nobody has seen it yet."""
    night = Night(EVENING + timedelta(hours=2))
    (first,) = night.look(sees(LATE), minutes=20)
    assert (first.urgent, first.hold_until, first.settled) == (False, None, False)
    night.look(sees(LATE), minutes=240)
    (second,) = night.look(sees(LATE, wakes=True))
    assert second.wakes
    assert second.alarms[0].number == first.alarms[0].number


@pytest.mark.parametrize("spot", [LATE, DEW, STALL])
def test_nobody_is_woken_for_what_they_knew_when_they_went_to_bed(spot: Spot) -> None:
    night = Night(EVENING)
    (first,) = night.look(sees(spot), minutes=20)
    assert first.settled
    assert not night.look(sees(spot), minutes=100)
    assert not night.look(sees(spot, wakes=True, facts=Facts(by_at=MIDNIGHT)), minutes=510)
    (morning,) = night.look(sees(spot, wakes=True), minutes=20)
    assert (morning.urgent, morning.wakes) == (True, False)


def test_what_is_told_as_people_go_to_bed_may_still_wake_them() -> None:
    """Nobody can tell whether a word at five to ten was read."""
    night = Night(EVENING + timedelta(minutes=100))
    (first,) = night.look(sees(LATE), minutes=20)
    assert not first.settled
    (second,) = night.look(sees(LATE, wakes=True), minutes=20)
    assert second.wakes


def test_what_was_called_off_at_bedtime_and_came_back_is_not_known() -> None:
    night = Night(EVENING + timedelta(minutes=60))
    night.look(sees(LATE), minutes=20)
    night.look(sees(LATE, Sight.CLEAR), minutes=45)
    night.look(sees(LATE), minutes=30)
    assert [notice.kind for notice in night.notices] == [Kind.RAISED, Kind.CLEARED, Kind.RAISED]
    assert night.watch.next_number == 2
    (notice,) = night.look(sees(LATE, wakes=True), minutes=20)
    assert notice.wakes


def test_a_word_that_never_reached_anybody_is_not_known() -> None:
    for reached, wakes in (({"a1": EVENING}, []), ({}, [True]), ({"a1": MIDNIGHT}, [True]), (None, [])):
        night = Night(EVENING)
        night.look(sees(LATE), minutes=20)
        night.at = MIDNIGHT
        made = step(night.watch, [sees(LATE, wakes=True)], night.at, POLICY, reached)
        assert [notice.wakes for notice in made.notices] == wakes


def test_whoever_asks_to_be_woken_is() -> None:
    night = Night(EVENING)
    night.look(sees(LATE), minutes=20)
    night.change(set_aside(one, night.at, MIDNIGHT + timedelta(hours=2), "cli") for one in night.watch.alarms)
    (notice,) = night.look(sees(LATE, wakes=True), minutes=360)
    assert notice.wakes
    assert notice.at == MIDNIGHT + timedelta(hours=2)


def expected(hours: float | None) -> Facts:
    """What is told of a stage expected so long after midnight; None for never."""
    when_at = None if hours is None else MIDNIGHT + timedelta(hours=hours)
    return Facts(part="hull", odds=0.8, when_at=when_at)


@pytest.mark.parametrize(("hours", "wakes"), [(9.9, []), (10.1, [True]), (None, [True])])
def test_what_got_much_worse_since_is_news(hours: float | None, wakes: list[bool]) -> None:
    """Told in the evening that it comes at seven; then it is ten, or never."""
    night = Night(EVENING)
    night.look(sees(LATE, facts=expected(7.0)), minutes=20)
    night.change(acknowledged(one, night.at, "cli") for one in night.watch.alarms)
    night.look(sees(LATE, facts=expected(7.0)), minutes=240)
    told = night.look(sees(LATE, wakes=True, facts=expected(hours)), minutes=20)
    assert [notice.wakes for notice in told] == wakes
    assert [notice.alarms[0].name for notice in told] == ["a2" for _ in wakes]
    assert [one.turn for s in night.steps for one in s.happened].count(Turn.ANEW) == len(wakes)


def test_nobody_knows_that_it_got_worse_without_a_forecast_or_at_once() -> None:
    night = Night(EVENING)
    night.look(sees(LATE, facts=expected(7.0)), minutes=120)
    blind = replace(expected(None), odds=None)
    assert not night.look(sees(LATE, wakes=True, facts=blind), minutes=300)
    for _ in range(6):
        assert not night.look(sees(LATE, wakes=True, facts=expected(None)), minutes=10)
        assert not night.look(sees(LATE, wakes=True, facts=expected(7.0)))


def test_what_can_be_done_after_the_night_waits_for_the_morning() -> None:
    for minutes, wakes in ((29, [True]), (30, [False])):
        night = Night(MIDNIGHT + timedelta(hours=5))
        by_at = MIDNIGHT + timedelta(hours=6.5, minutes=minutes)
        found = sees(Spot(AlarmCause.FUEL_LOW, "keel"), wakes=True, facts=Facts(by_at=by_at))
        assert [notice.wakes for notice in night.look(found, minutes=80)][:1] == wakes
        assert [notice.urgent for notice in night.notices if notice.at < MIDNIGHT + timedelta(hours=6.5)][
            :1
        ] == wakes
    (morning,) = night.look(found, minutes=20)
    assert (morning.urgent, morning.wakes) == (True, False)


def test_a_stopped_heater_hides_what_it_brings_about_but_not_itself() -> None:
    night = Night()
    found = [sees(NO_HEAT, wakes=True), sees(LATE, wakes=True), sees(DEW, wakes=True), sees(STALL)]
    told = night.look(*found, minutes=24 * 60)
    assert {alarm.spot for notice in told for alarm in notice.alarms} == {NO_HEAT}


def test_what_a_stopped_heater_hid_comes_up_when_it_burns_again() -> None:
    night = Night()
    night.look(sees(NO_HEAT), sees(LATE, wakes=True), minutes=60)
    told = night.look(sees(NO_HEAT, Sight.CLEAR), sees(LATE, wakes=True), minutes=60)
    assert LATE in {alarm.spot for notice in told for alarm in notice.alarms}


def test_what_a_stopped_heater_hides_is_not_told_again_until_it_burns() -> None:
    """Whoever sees to the heater sees to the cold; they get their time anew when it burns."""
    night = Night()
    night.look(sees(LATE, wakes=True), minutes=20)
    told = night.look(sees(NO_HEAT, wakes=True), sees(LATE, wakes=True), minutes=240)
    assert LATE not in {alarm.spot for notice in told for alarm in notice.alarms}
    told = night.look(sees(NO_HEAT, Sight.CLEAR), sees(LATE, wakes=True), minutes=20)
    assert LATE not in {alarm.spot for notice in told for alarm in notice.alarms}
    told = night.look(sees(NO_HEAT, Sight.CLEAR), sees(LATE, wakes=True), minutes=30)
    assert [notice.kind for notice in told] == [Kind.ESCALATED]


def test_nobody_is_called_in_to_work_while_there_is_carbon_monoxide() -> None:
    gas, window = Spot(AlarmCause.CARBON_MONOXIDE, "keel"), Spot(AlarmCause.WINDOW_OPENING, "keel")
    day = Night(MIDNIGHT + timedelta(hours=9))
    told = day.look(sees(gas, wakes=True), sees(window), minutes=60)
    assert {alarm.spot for notice in told for alarm in notice.alarms} == {gas}
    (notice,) = day.look(sees(gas, wakes=True), sees(LOST), minutes=15)
    assert {alarm.spot for alarm in notice.also} == {gas}
    told = day.look(sees(gas, Sight.CLEAR), sees(window), minutes=45)
    assert window in {alarm.spot for notice in told for alarm in notice.alarms}


def test_a_lost_sensor_hides_what_rests_on_it_and_ends_it_in_time() -> None:
    night = Night()
    night.look(sees(LATE, wakes=True), minutes=20)
    hidden_min = UNKNOWN_ENDS // timedelta(minutes=1)
    told = night.look(sees(LOST), sees(LATE, wakes=True), minutes=10 + hidden_min)
    assert [notice.kind for notice in told if LATE in {a.spot for a in notice.alarms}] == [Kind.CLEARED]
    assert night.steps[-1].happened or night.watch.alarms  # it stays to be seen
    assert {alarm.spot for alarm in night.watch.live} == {LOST}


def test_what_comes_up_together_is_one_message_and_one_wake_up() -> None:
    night = Night()
    told = night.look(sees(LATE, wakes=True), sees(DEW, wakes=True), minutes=20)
    assert len(told) == 1
    assert {alarm.spot for alarm in told[0].alarms} == {LATE, DEW}
    assert len(night.watch.woken) == 1


def test_whoever_is_up_already_is_not_woken_anew() -> None:
    night = Night()
    night.look(sees(LATE, wakes=True), minutes=5)
    told = night.look(sees(LATE, wakes=True), sees(DEW, wakes=True), minutes=20)
    assert [notice.wakes for notice in told] == [True, False]


def test_after_two_wake_ups_only_carbon_monoxide_wakes() -> None:
    night = Night()
    spots = [Spot(AlarmCause.STAGE_AT_RISK, "keel", f"k{i}") for i in range(4)]
    for spot in spots:
        night.look(sees(spot, wakes=True), minutes=60)
    wakes = [n for n in night.notices if n.kind is Kind.RAISED and n.wakes]
    assert len(wakes) == WAKE_UPS_PER_NIGHT
    told = night.look(sees(Spot(AlarmCause.CARBON_MONOXIDE, "keel"), wakes=True))
    assert [notice.wakes for notice in told if notice.kind is Kind.RAISED] == [True]


def test_when_the_cure_has_ended_so_have_its_alarms() -> None:
    night = Night()
    night.look(sees(LATE, wakes=True), minutes=20)
    night.look(minutes=5)
    assert not night.watch.alarms
    assert [one.turn for one in night.steps[-1].happened] == [Turn.OVER]


def test_what_returns_within_the_hour_is_the_same_episode() -> None:
    night = Night()
    night.look(sees(LATE, wakes=True), minutes=20)
    night.look(sees(LATE, Sight.CLEAR), minutes=40)
    told = night.look(sees(LATE, wakes=True), minutes=20)
    assert [(one.kind, one.urgent) for one in told] == [(Kind.RAISED, False)]
    assert night.watch.next_number == 2


_SPOTS = [LATE, DEW, LOST, NO_HEAT, Spot(AlarmCause.TOO_HUMID, "keel", "k1"), RECOAT]
_SEEN = st.builds(
    lambda spot, sight, wakes, hours: sees(spot, sight, wakes=wakes, facts=expected(hours)),
    st.sampled_from(_SPOTS),
    st.sampled_from(Sight),
    st.booleans(),
    st.sampled_from([1.0, 6.0, 12.0, None]),
)
_LOOKS = st.lists(st.lists(_SEEN, max_size=6), min_size=1, max_size=60)


@settings(deadline=None)
@given(_LOOKS, st.lists(st.integers(1, 8), min_size=60, max_size=60))
def test_any_series_wakes_once_an_episode_and_every_alarm_ends(
    looks: list[list[Finding]], lasts: list[int]
) -> None:
    night = Night(EVENING)
    for look, steps in zip(looks, lasts, strict=False):
        night.look(*{one.spot: one for one in look}.values(), minutes=5 * steps)
    first: dict[int, int] = {}
    again: dict[int, int] = {}
    for notice in night.notices:
        for alarm in notice.alarms:
            counts = again if notice.kind is Kind.ESCALATED else first
            counts[alarm.number] = counts.get(alarm.number, 0) + notice.wakes
            if notice.kind is Kind.RAISED:
                assert alarm.standing is Standing.RAISED
    assert all(count <= 1 for count in first.values())
    assert all(count <= 1 for count in again.values())
    assert not {at for at in night.watch.woken if not POLICY.is_quiet(at)}
    night.look(*(Finding(spot, Sight.CLEAR) for spot in _SPOTS), minutes=60)
    assert not night.watch.live


@settings(deadline=None)
@given(_LOOKS)
def test_on_stale_data_nothing_but_a_lost_sensor_is_raised(looks: list[list[Finding]]) -> None:
    night = Night()
    for look in looks:
        found = {one.spot: one for one in look}
        found[LOST] = sees(LOST)
        night.look(*found.values(), minutes=20)
    raised = {one.alarm.spot.cause for s in night.steps for one in s.happened if one.turn is Turn.RAISED}
    assert not raised & ON_READINGS


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3), st.integers(1, 12)), min_size=1, max_size=40))
def test_no_night_has_more_than_two_wake_ups(troubles: list[tuple[int, int]]) -> None:
    night = Night(MIDNIGHT - timedelta(hours=2))
    for cure, steps in troubles:
        if not POLICY.is_quiet(night.at):
            break
        spot = Spot(AlarmCause.DEW_AHEAD, "keel", f"k{cure}")
        night.look(sees(spot, wakes=True), minutes=5 * steps)
    assert len(night.watch.woken) <= WAKE_UPS_PER_NIGHT


def test_every_cause_has_a_rule_and_only_gas_wakes_always() -> None:
    assert set(RULES) == set(AlarmCause)
    assert set(ALWAYS_WAKES) == {AlarmCause.CARBON_MONOXIDE}


def test_without_quiet_hours_nothing_waits() -> None:
    night = Night(policy=replace(Policy()))
    (notice,) = night.look(sees(RECOAT), minutes=10)
    assert notice.hold_until is None
    assert not notice.wakes
