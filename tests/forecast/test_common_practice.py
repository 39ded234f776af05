"""What builders know, without any source: common practice, checked on the generic vinyl ester.

Every expectation here is common practice of the trade, no source; the card is generic. It says
that the sums come out where people who do this every week would expect, and no more.
"""

import numpy as np
import pytest

from forecast.card import Stage
from forecast.card_files import find_card
from forecast.card_rates import cure_rates
from forecast.cautions import Trouble
from forecast.course import course
from forecast.cure import progress, reached_h
from forecast.cure_now import cure_now
from forecast.history import history
from forecast.resin import gel_surface
from tests.forecast.curing import LAID_AT

CARD = find_card("generic-vinyl-ester")
PACES = dict(cure_rates(CARD, 1.75).stages)


def test_a_shed_some_degrees_too_hot_cuts_the_work_time_as_people_find_it() -> None:
    """Planned for 30-45 min at 1.75 %, got 20-25 min: an overshoot of about 6 to 9 °C (no source)."""
    surface = gel_surface(CARD)
    temps_c = np.arange(15.0, 30.01, 0.01)
    minutes = surface.likely_min(temps_c, 1.75)
    planned_c = float(np.interp(-37.5, -minutes, temps_c))  # the middles of the two ranges
    got_c = float(np.interp(-22.5, -minutes, temps_c))
    assert 6.0 <= got_c - planned_c <= 9.0


@pytest.mark.parametrize("lamp_c", [30.0, 35.0])
def test_warmed_filler_is_past_gel_after_half_an_hour(lamp_c: float) -> None:
    """Thickened filler, from 18 °C under local heat, about 30 min before cloth goes over it (no source)."""
    warming = course([0.0, 0.1, 0.5], [18.0, lamp_c, lamp_c])
    assert progress(warming, PACES[Stage.GEL].likely)[0, -1] > 1.0
    assert progress(warming, PACES[Stage.GEL].slow)[0, -1] > 1.0


def test_57_f_at_the_part_is_refused_without_local_heat() -> None:
    """13.9 °C is under what the card lets the resin be used at, and the cure is said to stall (no source)."""
    part_c = (57.0 - 32.0) / 1.8
    assert part_c < CARD.application.temp_min_c
    times = np.linspace(0.0, 3.0, 19)
    state = cure_now(cure_rates(CARD, 1.75), history(times, np.full(19, part_c), (0.0, 3.0)), LAID_AT)
    assert state.stalled
    assert Trouble.STALLED in {caution.trouble for caution in state.cautions}


def test_a_filled_joint_can_be_ground_after_a_day_at_tent_temperature() -> None:
    """24 h in a tent that swings between 15 and 21 °C: past sandable, at the slow end too (no source)."""
    hours = np.linspace(0.0, 24.0, 145)
    tent = course(hours, 18.0 + 3.0 * np.sin(2.0 * np.pi * hours / 24.0))
    assert float(reached_h(tent, PACES[Stage.SANDABLE].slow)[0]) < 24.0
    # and by far not full: it hardens for days yet
    assert progress(tent, PACES[Stage.FULL].quick)[0, -1] < 0.25
