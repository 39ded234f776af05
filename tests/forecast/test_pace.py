"""Paces: a band that stretches to hold what was seen, and batches that cannot be."""

from dataclasses import replace

import numpy as np
import pytest

from forecast.card import Stage
from forecast.pace import CureRates
from tests.forecast.curing import a_card, a_pace


def hours_at_23(pace_ratio: float) -> tuple[float, ...]:
    """Give the band and the likely time at 23 °C after a batch that took so much of the sheet's time."""
    pace = a_pace(8.0).widened(pace_ratio)
    return tuple(float(rate.hours(23.0)) for rate in (pace.quick, pace.likely, pace.slow))


def test_a_quick_batch_stretches_the_quick_end_alone() -> None:
    """Of 6.4, 8 and 10 h: one that took half of its sheet's time may go on twice as fast."""
    assert hours_at_23(0.5) == pytest.approx((3.2, 8.0, 10.0))


def test_a_slow_batch_stretches_the_slow_end_alone() -> None:
    assert hours_at_23(2.0) == pytest.approx((6.4, 8.0, 20.0))
    assert hours_at_23(1.0) == pytest.approx((6.4, 8.0, 10.0))


@pytest.mark.parametrize("ratio", [0.0, -1.0, float("nan")])
def test_a_ratio_of_no_time_is_refused(ratio: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        a_pace(8.0).widened(ratio)


def test_what_a_pace_knows_of_its_sheet_stays() -> None:
    pace, wide = a_pace(8.0), a_pace(8.0).widened(2.0)
    assert (wide.floor_c, wide.sheet_min_c, wide.sheet_max_c) == (12.0, 12.0, 35.0)
    assert (pace.floor_c, pace.sheet_min_c, pace.sheet_max_c) == (12.0, 12.0, 35.0)


def test_only_the_last_stage_must_go_on_at_the_reference_temperature() -> None:
    """Equivalent hours are counted by it; an earlier one that stands still there is answered with never."""
    going = a_pace(60.0)
    never = replace(going, likely=going.likely.fading_below(40.0), floor_c=40.0)
    assert np.isinf(never.likely.hours(23.0))
    kept = CureRates(a_card(), 1.5, ((Stage.SANDABLE, never), (Stage.FULL, going)))
    assert (kept.opens, kept.closes) == (None, None)
    with pytest.raises(ValueError, match=r"at 23 °C it never gets full; give one of at least 40 °C"):
        CureRates(a_card(), 1.5, ((Stage.TACK_FREE, going), (Stage.SANDABLE, going), (Stage.FULL, never)))
    with pytest.raises(ValueError, match="card test has no stages"):
        CureRates(a_card(), 1.5, ())
