"""How much more heat would open a window: worked out by the shed's own balance."""

from datetime import timedelta

import numpy as np
import pytest

from dashboards.view import Reader
from dashboards.window_view import opening_words
from forecast.climate import Model
from forecast.climate_fit import ClimateFit
from forecast.job import Job, JobLimits
from forecast.more_heat import LONGEST_LEAD_H, part_gain_k_w, with_more_heat
from forecast.window_answer import Remedy
from tests.forecast.test_climate import model_of
from tests.forecast.test_window import at, forecast, one


def leaky(sky_drop_k: float = 0.0, ground_c: float = 0.0, mass_ground_w_k: float = 0.0) -> Model:
    """A shed that loses 100 W/K."""
    return model_of(
        1,
        out_w_k=100.0,
        part_air_w_k=200.0,
        sky_drop_k=sky_drop_k,
        ground_c=ground_c,
        mass_ground_w_k=mass_ground_w_k,
    )


COLD = Job("lay", 120.0, limits=JobLimits(part_min_c=16.0))


def test_a_steady_watt_warms_a_part_to_one_over_the_loss() -> None:
    """With a loss of 100 W/K to the outside and none elsewhere, in the end 1/100 K for each watt."""
    gains = part_gain_k_w(leaky(), 24)
    assert gains[0, -1] == pytest.approx(0.01, rel=1e-3)
    assert (np.diff(gains[0]) > 0.0).all()


def test_cold_ground_and_sky_do_not_count_as_heat() -> None:
    sky = part_gain_k_w(leaky(3.0, 8.0, 50.0), 3)
    assert sky == pytest.approx(part_gain_k_w(leaky(mass_ground_w_k=50.0), 3))


def test_the_heat_wanted_gives_the_warmth_wanted() -> None:
    """The part lacks 3 K all day: the watts named times the gain over the hours named are those 3 K."""
    fit = ClimateFit(leaky(), (0,), np.zeros(1), ())
    now = at(-6)
    answer = with_more_heat(one(forecast({"part_c": 13.0}), COLD), fit, ("keel",), now)
    more = answer.openings[0]
    assert (more.remedy, more.at) == (Remedy.MORE_HEAT, at(-LONGEST_LEAD_H))
    gain = part_gain_k_w(fit.model, LONGEST_LEAD_H)[0, LONGEST_LEAD_H]
    assert (more.power_w or 0.0) * gain == pytest.approx(3.0)
    assert (
        opening_words(more, now, Reader())
        == f"{(more.power_w or 0.0) / 1000:.1f} kW more, vented outdoors, from today 20:00"
    )


def test_no_heat_is_asked_for_in_the_past_or_where_warmth_is_not_lacking() -> None:
    fit = ClimateFit(leaky(), (0,), np.zeros(1), ())
    late = one(forecast({"part_c": 13.0}), COLD)
    assert with_more_heat(late, fit, ("keel",), at(0) - timedelta(minutes=30)) == late
    damp = one(forecast({"humidity_pct": 90.0}), Job("lay", 120.0, limits=JobLimits(humidity_max_pct=75.0)))
    assert with_more_heat(damp, fit, ("keel",), at(-6)) == damp


def test_more_than_any_tent_heater_gives_is_not_asked_for() -> None:
    """20 kW (common practice, no source): where 3 kW are lost for each kelvin, 15 K would take 45."""
    fit = ClimateFit(model_of(1, out_w_k=3000.0, part_air_w_k=200.0), (0,), np.zeros(1), ())
    answer = one(forecast({"part_c": 1.0}), COLD)
    assert with_more_heat(answer, fit, ("keel",), at(-6)) == answer
