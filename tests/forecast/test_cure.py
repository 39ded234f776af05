"""Progress through any temperature: identities, exact solutions and what must never break."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.course import course
from forecast.cure import hours_needed, progress, reached_h, steady_c
from forecast.rate import Floats, arrhenius_rate

_RATE = arrhenius_rate(9000.0, 23.0, 10.0)  # 75 kJ/mol, 10 h at 23 °C: made up, as hardening goes
_TEMPS = st.lists(st.floats(-10.0, 60.0), min_size=2, max_size=12)


def exponential_integral(x: float) -> float:
    """E1 by its continued fraction, Abramowitz and Stegun 5.1.22 (x > 1)."""
    tail = 0.0
    for n in range(200, 0, -1):
        tail = n / (1.0 + n / (x + tail))
    return float(np.exp(-x) / (x + tail))


def test_second_order_check_reaches_half_in_30_28_s() -> None:
    """DC/dt = K (1-C)², K = exp(-1000/T) 1/s: C = K t / (1 + K t), so 0.5 at 30.28 s at 293.2 K.

    The published check of an autocatalytic integrator (computed, exact). K t is our progress.
    """
    per_s = arrhenius_rate(1000.0, 293.2 - 273.15, float(np.exp(1000.0 / 293.2)) / 3600.0)
    seconds = np.array([0.0, 10.0, 30.28, 100.0])
    done = progress(course(seconds / 3600.0, np.full(4, 293.2 - 273.15)), per_s)[0]
    exact = np.exp(-1000.0 / 293.2) * seconds
    assert done / (1.0 + done) == pytest.approx(exact / (1.0 + exact), rel=1e-6, abs=1e-12)
    assert done[2] / (1.0 + done[2]) == pytest.approx(0.5, abs=1e-4)  # 30.28 s is printed to 0.01 s


def test_a_ramp_has_an_exact_solution() -> None:
    """∫ exp(-Q/T) dt over a straight ramp is T exp(-Q/T) - Q E1(Q/T), over its slope."""
    activation_k, from_k, to_k, span_h = 9000.0, 280.0, 310.0, 12.0

    def antiderivative(temp_k: float) -> float:
        x = activation_k / temp_k
        return temp_k * float(np.exp(-x)) - activation_k * exponential_integral(x)

    exact = (antiderivative(to_k) - antiderivative(from_k)) / (to_k - from_k) * span_h
    exact *= np.exp(activation_k / 296.15) / 10.0
    ramp = course([0.0, span_h], [from_k - 273.15, to_k - 273.15])
    assert progress(ramp, _RATE)[0, -1] == pytest.approx(exact, rel=1e-6)


@given(st.floats(-5.0, 60.0))
def test_constant_temperature_takes_the_rates_own_time(temp_c: float) -> None:
    """Reached exactly when the table says, and no earlier."""
    takes_h = float(_RATE.hours(temp_c))
    steady = course(np.linspace(0.0, takes_h * 1.1, 40), np.full(40, temp_c))
    assert reached_h(steady, _RATE)[0] == pytest.approx(takes_h, rel=1e-9)


def night(hours: Floats) -> Floats:
    """Make up a tent's day: warm noon, cold night, the heater's saw-tooth on top."""
    return 15.0 + 9.0 * np.sin(2.0 * np.pi * hours / 24.0) + 2.0 * np.abs((hours * 2.0) % 2.0 - 1.0)


def test_results_do_not_depend_on_how_finely_the_history_is_cut() -> None:
    """From 1 s to 10 min within 0.5 % (asked); it is ten times better."""
    finest_h = np.arange(0.0, 36.0 + 1e-9, 1.0 / 3600.0)
    finest = course(finest_h, night(finest_h))
    done, reached = progress(finest, _RATE)[0, -1], reached_h(finest, _RATE)[0]
    for step_s in (10, 60, 300, 600):
        hours = np.arange(0.0, 36.0 + 1e-9, step_s / 3600.0)
        coarse = course(hours, night(hours))
        assert progress(coarse, _RATE)[0, -1] == pytest.approx(done, rel=5e-4)
        assert reached_h(coarse, _RATE)[0] == pytest.approx(reached, rel=5e-4)


@given(_TEMPS, st.floats(0.01, 0.99))
def test_progress_is_additive_over_cuts(temps: list[float], cut: float) -> None:
    """What is done up to a moment and what is done after it add up to the whole."""
    hours = np.arange(len(temps), dtype=float)
    whole = course(hours, temps)
    moment = cut * hours[-1]
    finer_h = np.union1d(hours, [moment])
    before = progress(course(finer_h, np.interp(finer_h, hours, temps)), _RATE)[0]
    after = progress(whole, _RATE, from_h=moment)[0, -1]
    total = progress(whole, _RATE)[0, -1]
    assert before[finer_h == moment][0] + after == pytest.approx(total, rel=1e-7, abs=1e-12)


@given(_TEMPS, st.floats(0.0, 20.0), st.floats(8.0, 20.0))
def test_warmer_is_never_slower(temps: list[float], warmer_k: float, floor_c: float) -> None:
    """Progress never falls with time, nor with warmth, with a floor or without."""
    hours = np.arange(len(temps), dtype=float)
    for rate in (_RATE, _RATE.fading_below(floor_c)):
        cool = progress(course(hours, temps), rate)[0]
        warm = progress(course(hours, np.array(temps) + warmer_k), rate)[0]
        assert np.all(np.diff(cool) >= -1e-12)
        assert np.all(warm >= cool * (1.0 - 1e-9) - 1e-12)


@given(st.lists(_TEMPS.map(lambda t: (t * 6)[:12]), min_size=2, max_size=5), st.floats(0.0, 5.0))
def test_paths_do_not_touch_each_other(paths: list[list[float]], begin_h: float) -> None:
    """Each path of many gives what it gives alone."""
    hours = np.arange(12) / 2.0
    together = course(hours, paths)
    done, reached = progress(together, _RATE, begin_h), reached_h(together, _RATE, begin_h)
    for i, path in enumerate(paths):
        alone = course(hours, path)
        assert progress(alone, _RATE, begin_h)[0] == pytest.approx(done[i], rel=1e-12)
        assert reached_h(alone, _RATE, begin_h)[0] == pytest.approx(reached[i], rel=1e-12, nan_ok=True)


@given(_TEMPS, st.floats(0.0, 1.2), st.floats(0.0, 0.9))
def test_reached_is_where_progress_passes_one(temps: list[float], already: float, begin: float) -> None:
    """Summing to the moment found gives 1, also inside steps of tens of kelvin."""
    hours = np.arange(len(temps)) * 4.0
    through = course(hours, temps)
    begin_h = begin * hours[-1]
    moment = reached_h(through, _RATE, begin_h, already)[0]
    total = already + progress(through, _RATE, begin_h)[0, -1]
    if already >= 1.0:
        assert moment == begin_h
    elif np.isnan(moment):
        assert total < 1.0 + 1e-9
    elif moment < hours[-1]:
        after = progress(through, _RATE, float(moment))[0, -1]
        # Newton stops after three steps; a step of 4 h over 70 K is the worst it gets here
        assert total - after == pytest.approx(1.0, abs=1e-5)


def test_counting_from_within_the_step_that_gets_there() -> None:
    """Begun halfway up one straight ramp, the moment is that of the upper half alone."""
    ramp, upper = course([0.0, 20.0], [10.0, 40.0]), course([10.0, 20.0], [25.0, 40.0])
    found = reached_h(ramp, _RATE, from_h=10.0, already=0.2)
    assert found == pytest.approx(reached_h(upper, _RATE, already=0.2), rel=1e-9)
    assert 10.0 < found[0] < 17.0


def test_long_courses_are_summed_in_blocks_without_a_seam() -> None:
    """Samples before, on and after the seams give one straight line at constant temperature."""
    hours = np.arange(1000) / 12.0
    done = progress(course(hours, np.full((3, 1000), 23.0)), _RATE, from_h=20.02)
    assert done == pytest.approx(np.tile(np.maximum(hours - 20.02, 0.0) / 10.0, (3, 1)), abs=1e-11)
    paths = np.array([[23.0], [12.0], [5.0]]) * np.ones(1000)
    exact = 20.02 + _RATE.hours([23.0, 12.0, 5.0])
    found = reached_h(course(hours, paths), _RATE, from_h=20.02)
    assert found == pytest.approx(np.where(exact <= hours[-1], exact, np.nan), nan_ok=True)


def test_what_still_has_to_happen() -> None:
    """Three fifths done of 10 h at 23 °C: 4 h more; done: none; too cold: never."""
    assert hours_needed(0.6, _RATE, 23.0) == pytest.approx(4.0)
    assert hours_needed([1.0, 1.7], _RATE.fading_below(10.0), 5.0).tolist() == [0.0, 0.0]
    assert np.isinf(hours_needed(0.5, _RATE.fading_below(10.0), 5.0))


@given(st.floats(-39.9, 200.0))
def test_the_steady_temperature_is_where_the_rate_is_its_mean(temp_c: float) -> None:
    """There and back, to what straight lines between grid points give away."""
    assert steady_c(_RATE, float(_RATE.per_h(temp_c))) == pytest.approx(temp_c, abs=1e-6)


@pytest.mark.parametrize(
    "mean_per_h",
    [0.0, -0.1, float("nan"), float(_RATE.per_h(-40.0)), float(_RATE.per_h(200.0)) * (1.0 + 1e-12)],
)
def test_a_mean_that_no_temperature_gives_is_refused(mean_per_h: float) -> None:
    """The coldest rate itself is refused too: below a floor all rates are 0, and no one is meant."""
    with pytest.raises(ValueError, match="no temperature"):
        steady_c(_RATE, mean_per_h)
    with pytest.raises(ValueError, match="no temperature"):
        steady_c(_RATE.fading_below(10.0), min(mean_per_h, 0.0))


def test_counting_outside_the_course_is_refused() -> None:
    through = course([0.0, 1.0], [20.0, 20.0])
    with pytest.raises(ValueError, match="from_h"):
        progress(through, _RATE, from_h=-0.1)
    with pytest.raises(ValueError, match="from_h"):
        reached_h(through, _RATE, from_h=1.1)
    with pytest.raises(ValueError, match="already done"):
        reached_h(through, _RATE, already=-0.1)


def test_what_begins_and_ends_within_one_step_is_found_as_if_it_were_cut_finely() -> None:
    """A logger that was silent from 10 to 40 °C: temperature runs straight between its two readings."""
    hours = np.linspace(5.0, 25.0, 2001)
    finely = reached_h(course(hours, np.interp(hours, [5.0, 25.0], [10.0, 40.0])), _RATE, from_h=10.3)
    coarsely = reached_h(course([5.0, 25.0], [10.0, 40.0]), _RATE, from_h=10.3)
    assert 11.0 < finely[0] < 24.0
    assert coarsely == pytest.approx(finely, abs=1.0 / 3600.0)  # a second
