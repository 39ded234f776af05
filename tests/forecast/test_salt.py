"""Fixed points: the published table, the line through them, and what is refused."""

import csv
import math
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.clock import to_us
from forecast.salt import (
    SALTS,
    Point,
    fit,
    is_too_far,
    looks_like_solvent,
    salt_humidity_pct,
    salt_uncertainty_pct,
    settling,
)

TABLE = Path(__file__).parents[1] / "vectors" / "salts.csv"
START_US = to_us(datetime(2026, 4, 3, tzinfo=UTC))


def rows() -> list[dict[str, float]]:
    with TABLE.open() as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row['temp_c']:g}")
def test_the_table_is_greenspans(row: dict[str, float]) -> None:
    """Tolerance: the printed digit; two public codes have 10.89 for lithium chloride, where it is 11.3."""
    for name in SALTS:
        assert salt_humidity_pct(name, row["temp_c"]) == pytest.approx(row[name], abs=0.005)
    for name in ("mgcl2", "nacl"):
        assert salt_uncertainty_pct(name, row["temp_c"]) >= row[f"{name}_pm"]


def test_a_box_uneven_by_a_tenth_of_a_degree_is_counted() -> None:
    """Saturation pressure rises by 6.2 % a K at 20 °C (tests/vectors/saturation_pressure.csv)."""
    assert salt_uncertainty_pct("nacl", 20.0) == pytest.approx(
        math.hypot(0.14, 75.47 * 0.062 * 0.1), abs=0.01
    )


@pytest.mark.parametrize("temp_c", [14.9, 30.1, -5.0, float("nan")])
def test_beyond_the_table_there_is_no_answer(temp_c: float) -> None:
    with pytest.raises(ValueError, match="outside 15 to 30 °C"):
        salt_humidity_pct("nacl", temp_c)


def test_a_salt_nobody_knows_is_named() -> None:
    with pytest.raises(ValueError, match="no salt is called 'sugar'; there are licl, mgcl2"):
        salt_humidity_pct("sugar", 20.0)


@given(gain=st.floats(0.82, 1.2), offset=st.floats(-8.0, 8.0))
def test_two_points_give_back_the_line_a_sensor_errs_by(gain: float, offset: float) -> None:
    points = [Point(true, (true - offset) / gain, 0.3) for true in (75.47, 33.07)]
    found = fit(points, (40.0, 90.0))
    assert found.gain == pytest.approx(gain)
    assert found.offset == pytest.approx(offset, abs=1e-6)


def test_beyond_the_points_it_is_less_sure() -> None:
    """At the mean of two points ±0.5 each: 0.5 / sqrt(2); as far beyond one as to the other: 0.5 sqrt(5)."""
    points = [Point(30.0, 30.0, 0.5), Point(70.0, 70.0, 0.5)]
    assert fit(points, (50.0, 50.0)).unsure == pytest.approx(0.5 / math.sqrt(2))
    assert fit(points, (50.0, 110.0)).unsure == pytest.approx(0.5 * math.sqrt(5))


def test_one_point_gives_an_offset() -> None:
    found = fit([Point(0.0, 0.31, 0.1)], (0.0, 40.0))
    assert (found.gain, found.offset, found.unsure) == (1.0, -0.31, 0.1)


@pytest.mark.parametrize(
    ("measured", "words"),
    [((75.0, 33.0), "exchanged"), ((50.0, 55.0), "gain would be 8.48"), ((20.0, 78.0), "gain would be 0.73")],
)
def test_what_no_sensor_does_is_refused(measured: tuple[float, float], words: str) -> None:
    points = [Point(33.07, measured[0], 0.3), Point(75.47, measured[1], 0.3)]
    with pytest.raises(ValueError, match=words):
        fit(points, (40.0, 90.0))


def test_none_and_three_points_are_refused() -> None:
    for points in ([], [Point(33.0, 33.0, 1.0)] * 3):
        with pytest.raises(ValueError, match="one point or two"):
            fit(points, (40.0, 90.0))


@pytest.mark.parametrize(
    ("dry", "wet", "solvent"),
    [(0.5, -5.0, True), (-1.9, -3.1, True), (-4.0, -5.0, False), (0.0, -2.0, False), (0.5, 5.0, False)],
)
def test_solvent_takes_from_the_wet_end_alone(dry: float, wet: float, solvent: bool) -> None:  # noqa: FBT001
    points = [Point(33.07, 33.07 + dry, 0.3), Point(75.47, 75.47 + wet, 0.5)]
    assert looks_like_solvent(points) is solvent


def test_a_single_point_tells_nothing_of_solvent() -> None:
    assert not looks_like_solvent([Point(75.47, 65.0, 0.5)])


def test_a_point_far_off_is_the_slurrys_fault_or_a_broken_sensors() -> None:
    assert is_too_far("%", Point(75.47, 55.0, 0.5))
    assert not is_too_far("%", Point(75.47, 68.0, 0.5))
    assert is_too_far("°C", Point(0.0, 8.0, 0.1))


def creep(hours: float, tau_h: float, noise: float = 0.03) -> tuple[np.ndarray, np.ndarray]:
    """Return a sensor's approach from 45 to 75.47 %, a reading a minute."""
    at_s = np.arange(0.0, hours * 3600.0, 60.0)
    values = 75.47 - 30.0 * np.exp(-at_s / 3600.0 / tau_h)
    values += noise * np.random.default_rng(3).standard_normal(len(at_s))
    return (START_US + at_s * 1e6).astype(np.int64), values


def test_a_sensor_on_its_way_has_not_settled_and_one_at_rest_is_within_its_last_bit() -> None:
    """With a time constant of 30 min what is left at rest is at most drift times it: 0.3 %."""
    tau_h = 0.5
    for hours in np.arange(0.5, 6.0, 0.25):
        found = settling(*creep(hours, tau_h), "%")
        assert found is not None
        if found.is_settled:
            assert found.mean == pytest.approx(75.47, abs=0.3)
            assert hours > 1.5
            break
    else:
        pytest.fail("it never came to rest")


def test_too_few_readings_tell_nothing() -> None:
    times, values = creep(1.0, 0.5)
    assert settling(times[:4], values[:4], "%") is None
    assert settling(times[:0], values[:0], "%") is None
    short = settling(times[-6:], np.full(6, 75.0), "%")
    assert short is not None
    assert not short.is_settled
