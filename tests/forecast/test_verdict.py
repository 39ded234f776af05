"""Fit to glass or not, from the measured air and part."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.domain import Flag
from forecast.air import dew_point_c
from forecast.verdict import BayNow, Cause, Limits, Measured, Verdict, judge_bay, worst

LIMITS = Limits(
    air_min_c=16,
    air_max_c=30,
    part_min_c=16,
    part_max_c=30,
    humidity_max_pct=75,
    margin_min_k=3,
    stale_after_s=900,
)
FRESH = {
    "air_c": Measured(20.0, 10.0),
    "humidity_pct": Measured(60.0, 10.0),
    "part_c": Measured(19.0, 25.0),
}


def judge(**over: Measured | None) -> BayNow:
    merged = {**FRESH, **over}
    return judge_bay("keel", {k: v for k, v in merged.items() if v is not None}, LIMITS)


def causes(bay: BayNow) -> list[tuple[str, Cause]]:
    return [(reason.quantity, reason.cause) for reason in bay.reasons]


def test_inside_every_limit_is_go_and_names_what_it_rests_on() -> None:
    """20 °C at 60 % has its dew point at 12.01 °C (IAPWS-95, tests/vectors/dew_point.csv)."""
    bay = judge()
    assert bay.verdict is Verdict.GO
    assert {quantity for quantity, _ in causes(bay)} == {"margin_k", "humidity_pct", "air_c", "part_c"}
    assert bay.dew_point_c == pytest.approx(12.008, abs=0.01)
    assert bay.margin_k == pytest.approx(19.0 - 12.008, abs=0.01)
    assert bay.frost_point_c is None
    assert (bay.air_c, bay.humidity_pct, bay.part_c, bay.age_s) == (20.0, 60.0, 19.0, 25.0)
    assert {reason.flags for reason in bay.reasons} == {0}


@pytest.mark.parametrize(
    ("quantity", "value", "cause"),
    [
        ("air_c", 15.9, Cause.BELOW),
        ("air_c", 30.1, Cause.ABOVE),
        ("part_c", 15.9, Cause.BELOW),
        ("part_c", 30.1, Cause.ABOVE),
        ("humidity_pct", 75.1, Cause.ABOVE),
    ],
)
def test_one_broken_limit_is_no_go(quantity: str, value: float, cause: Cause) -> None:
    bay = judge(**{quantity: Measured(value, 10.0)})
    assert bay.verdict is Verdict.NO_GO
    assert (quantity, cause) in causes(bay)
    assert all(reason.verdict is not Verdict.GO for reason in bay.reasons)


def test_a_part_colder_than_dew_point_plus_three_is_no_go() -> None:
    """18 °C air at 74 %: dew point 13.3 °C, so a part at 16.2 °C has 2.9 °C of margin."""
    bay = judge(air_c=Measured(18.0, 5), humidity_pct=Measured(74.0, 5), part_c=Measured(16.2, 5))
    assert bay.margin_k is not None
    assert 2.5 < bay.margin_k < 3.0
    assert causes(bay)[0] == ("margin_k", Cause.BELOW)
    assert bay.verdict is Verdict.NO_GO


def test_within_the_sensors_doubt_is_tight() -> None:
    bay = judge(
        humidity_pct=Measured(74.0, 10.0, uncertainty=2.0), air_c=Measured(25.0, 1), part_c=Measured(25.0, 1)
    )
    assert bay.verdict is Verdict.TIGHT
    assert causes(bay) == [("humidity_pct", Cause.NEAR_ABOVE)]
    better = judge(
        humidity_pct=Measured(74.0, 10.0, uncertainty=0.5), air_c=Measured(25.0, 1), part_c=Measured(25.0, 1)
    )
    assert better.verdict is Verdict.GO


def test_a_margin_must_hold_beyond_its_uncertainty() -> None:
    dew = dew_point_c(20.0, 60.0)
    limits = replace(LIMITS, part_min_c=10.0)
    part = Measured(dew + 3.2, 1.0)
    bay = judge_bay("keel", {**FRESH, "part_c": part}, limits)
    assert (bay.verdict, causes(bay)) == (Verdict.TIGHT, [("margin_k", Cause.NEAR_BELOW)])


@pytest.mark.parametrize("quantity", ["air_c", "humidity_pct", "part_c"])
@pytest.mark.parametrize(
    ("found", "cause"),
    [
        (None, Cause.MISSING),
        (Measured(20.0, 901.0), Cause.STALE),
        (Measured(20.0, -3600.0), Cause.FUTURE),
        (Measured(20.0, 1.0, suspect=True), Cause.SUSPECT),
    ],
)
def test_no_verdict_on_missing_stale_or_suspect_data(
    quantity: str, found: Measured | None, cause: Cause
) -> None:
    bay = judge(**{quantity: found})
    assert bay.verdict is Verdict.NO_NEWS
    assert causes(bay)[0] == (quantity, cause)
    assert bay.margin_k is None


@pytest.mark.parametrize(
    ("quantity", "found", "cause"),
    [
        ("air_c", Measured(20.0, 900.0), None),
        ("air_c", Measured(20.0, 900.1), Cause.STALE),
        ("air_c", Measured(20.0, -120.0), None),
        ("air_c", Measured(20.0, -120.1), Cause.FUTURE),
        ("air_c", Measured(20.0, 901.0, flags=Flag.CLOCK_OFF), None),
        ("part_c", Measured(20.0, 901.0, suspect=True, flags=Flag.CLOCK_OFF), Cause.SUSPECT),
        ("humidity_pct", Measured(1.0, 1.0), None),
        ("humidity_pct", Measured(0.9, 1.0), Cause.SUSPECT),
        ("part_c", Measured(0.9, 1.0), Cause.BELOW),  # a cold part is no broken sensor
    ],
)
def test_news_ends_to_the_second_and_a_slow_clock_is_not_taken_for_silence(
    quantity: str, found: Measured, cause: Cause | None
) -> None:
    named = {reason.quantity: reason.cause for reason in judge(**{quantity: found}).reasons}
    assert named.get(quantity) in ({cause} if cause else {None, Cause.WITHIN})


def test_a_suspect_sensor_s_reason_says_what_is_wrong_and_since_when() -> None:
    suspect = Measured(20.0, 30.0, suspect=True, flags=int(Flag.STUCK), suspect_s=7200.0)
    reason = judge(air_c=suspect).reasons[0]
    assert (reason.quantity, reason.value, reason.age_s) == ("air_c", 20.0, 30.0)
    assert (reason.flags, reason.suspect_s) == (int(Flag.STUCK), 7200.0)
    stale = judge(air_c=Measured(20.0, 1000.0)).reasons[0]
    assert (stale.value, stale.limit, stale.age_s) == (20.0, 900.0, 1000.0)


@pytest.mark.parametrize(
    ("quantity", "value", "cause"),
    [
        # without an uncertainty of its own air is ± 0.3 °C, a part ± 0.5 °C, humidity ± 2 %
        ("air_c", 16.0, Cause.NEAR_BELOW),
        ("air_c", 16.29, Cause.NEAR_BELOW),
        ("air_c", 16.31, Cause.WITHIN),
        ("air_c", 29.69, Cause.WITHIN),
        ("air_c", 29.71, Cause.NEAR_ABOVE),
        ("air_c", 30.0, Cause.NEAR_ABOVE),
        ("part_c", 16.49, Cause.NEAR_BELOW),
        ("part_c", 16.5, Cause.WITHIN),
        ("part_c", 29.5, Cause.WITHIN),
        ("part_c", 29.51, Cause.NEAR_ABOVE),
        ("humidity_pct", 73.0, Cause.WITHIN),
        ("humidity_pct", 73.1, Cause.NEAR_ABOVE),
        ("humidity_pct", 75.0, Cause.NEAR_ABOVE),
    ],
)
def test_a_limit_itself_is_inside_and_within_the_usual_doubt_of_it_is_tight(
    quantity: str, value: float, cause: Cause
) -> None:
    """The margin is left aside, so that one limit speaks at a time."""
    limits = replace(LIMITS, margin_min_k=-100.0)
    bay = judge_bay("keel", {**FRESH, quantity: Measured(value, 1.0)}, limits)
    expected = Verdict.GO if cause is Cause.WITHIN else Verdict.TIGHT
    assert bay.verdict is expected
    named = {reason.quantity: reason for reason in bay.reasons}
    assert (named[quantity].cause, named[quantity].value) == (cause, value)
    assert set(named) == ({*FRESH, "margin_k"} if expected is Verdict.GO else {quantity})


def test_each_sensor_s_own_doubt_counts_in_the_margin_s() -> None:
    """By as much as it moves the margin: a part by itself, the others through the dew point."""
    slopes = {
        "air_c": dew_point_c(20.5, 60.0) - dew_point_c(19.5, 60.0),
        "humidity_pct": dew_point_c(20.0, 60.5) - dew_point_c(20.0, 59.5),
        "part_c": 1.0,
    }
    for unsure, slope in slopes.items():
        own = {name: 1.0 if name == unsure else 0.001 for name in FRESH}
        bay = judge(**{name: replace(FRESH[name], uncertainty=own[name]) for name in FRESH})
        assert bay.margin_uncertainty_k == pytest.approx(slope, abs=0.002)


def test_without_any_reading_there_is_no_age_and_three_are_missing() -> None:
    bay = judge(air_c=None, humidity_pct=None, part_c=None)
    assert causes(bay) == [(name, Cause.MISSING) for name in FRESH]
    assert (bay.age_s, bay.air_c, bay.margin_uncertainty_k, bay.frost_point_c) == (None, None, None, None)


def test_what_is_still_known_to_be_wrong_is_told_beside_the_missing_news() -> None:
    bay = judge(part_c=None, humidity_pct=Measured(95.0, 5))
    assert causes(bay) == [("part_c", Cause.MISSING), ("humidity_pct", Cause.ABOVE)]
    assert bay.verdict is Verdict.NO_NEWS


def test_bone_dry_air_is_a_broken_sensor_and_gives_no_verdict() -> None:
    bay = judge(humidity_pct=Measured(0.0, 5))
    assert bay.dew_point_c is None
    assert bay.verdict is Verdict.NO_NEWS


def test_a_number_that_cannot_be_true_is_told_as_a_reason_and_is_no_number_of_the_bay() -> None:
    bay = judge(humidity_pct=Measured(104.0, 5, suspect=True, flags=Flag.OUT_OF_RANGE))
    assert bay.humidity_pct is None
    assert bay.reasons[0].value == 104.0
    assert bay.verdict is Verdict.NO_NEWS


def test_below_zero_the_frost_point_is_given_too() -> None:
    bay = judge(air_c=Measured(5.0, 5), humidity_pct=Measured(60.0, 5), part_c=Measured(4.0, 5))
    assert bay.dew_point_c == pytest.approx(-2.113, abs=0.01)
    assert bay.frost_point_c == pytest.approx(-1.867, abs=0.02)
    assert bay.margin_k == pytest.approx(4.0 + 1.867, abs=0.02)
    thawing = judge(air_c=Measured(8.0, 5), humidity_pct=Measured(60.0, 5), part_c=Measured(8.0, 5))
    assert thawing.dew_point_c is not None
    assert 0.0 < thawing.dew_point_c < 1.0
    assert thawing.frost_point_c is None


def test_the_worst_of_none_is_no_news() -> None:
    assert worst([]) is Verdict.NO_NEWS
    assert worst([Verdict.TIGHT, Verdict.GO]) is Verdict.TIGHT
    assert worst([Verdict.NO_GO, Verdict.NO_NEWS, Verdict.GO]) is Verdict.NO_NEWS


@given(
    air_c=st.floats(-20, 45),
    humidity_pct=st.floats(1, 100),
    part_c=st.floats(-20, 60),
    worse=st.floats(0, 20),
)
def test_more_humidity_never_makes_a_verdict_better(
    air_c: float, humidity_pct: float, part_c: float, worse: float
) -> None:
    order = [Verdict.GO, Verdict.TIGHT, Verdict.NO_GO, Verdict.NO_NEWS]
    measured = {
        "air_c": Measured(air_c, 1),
        "humidity_pct": Measured(humidity_pct, 1),
        "part_c": Measured(part_c, 1),
    }
    damper = {**measured, "humidity_pct": Measured(min(100.0, humidity_pct + worse), 1)}
    before, after = judge_bay("b", measured, LIMITS), judge_bay("b", damper, LIMITS)
    assert order.index(after.verdict) >= order.index(before.verdict)
