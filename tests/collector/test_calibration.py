"""Calibrated sensors: raw in the store, true in every answer."""

import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.calibration import corrected
from collector.clock import to_us
from collector.config import Config, load_config, parse_config
from collector.correction import Correction, true_reading
from collector.domain import Flag, Reading
from collector.errors import ConfigError
from collector.store import rollup
from collector.store.base import Store
from collector.store.memory import MemoryStore
from tests.collector.store.examples import MAKERS, quick_folder

START = datetime(2026, 4, 3, tzinfo=UTC)
HOUR = timedelta(hours=1)
NAME = "keel.humidity_pct"
SENSOR = 'place = "keel"\nquantity = "humidity_pct"\ntopic = "a"\n'


def store_of(values: list[float], name: str = NAME) -> MemoryStore:
    store = MemoryStore()
    times = [START + i * timedelta(minutes=10) for i in range(len(values))]
    store.add([Reading(name, at, value, at) for at, value in zip(times, values, strict=True)])
    return store


def test_every_way_of_reading_is_corrected_and_the_store_stays_raw() -> None:
    raw = store_of([40.0, 50.0, 60.0])
    store = corrected(raw, {NAME: [Correction(offset=1.0, gain=1.1)]})
    assert store.window(NAME, START, START + HOUR).values.tolist() == pytest.approx([45.0, 56.0, 67.0])
    assert store.latest(START + HOUR, HOUR)[NAME].value == pytest.approx(67.0)
    hour = store.rollup(NAME, START, START + HOUR, HOUR)
    assert (hour.lowest[0], hour.highest[0], hour.means[0]) == pytest.approx((45.0, 67.0, 56.0))
    assert raw.window(NAME, START, START + HOUR).values.tolist() == [40.0, 50.0, 60.0]


def test_what_is_written_goes_in_as_measured() -> None:
    raw = MemoryStore()
    store = corrected(raw, {NAME: [Correction(offset=5.0)]})
    store.add([Reading(NAME, START, 40.0, START)])
    assert raw.latest(START, HOUR)[NAME].value == 40.0


def test_each_correction_holds_from_its_own_time_on() -> None:
    corrections = [Correction(2.0, since=START + 4 * HOUR), Correction(1.0, since=START + HOUR)]
    store = corrected(store_of([50.0] * 30), {NAME: corrections})
    values = store.window(NAME, START, START + 5 * HOUR).values.tolist()
    assert values == [50.0] * 6 + [51.0] * 18 + [52.0] * 6


def test_without_any_calibration_the_store_is_itself() -> None:
    raw = MemoryStore()
    assert corrected(raw, {}) is raw


def test_humidity_goes_no_further_than_air_does_but_a_broken_reading_stays_one() -> None:
    store = corrected(store_of([99.0, 1.0, 104.0]), {NAME: [Correction(3.0)]})
    assert store.window(NAME, START, START + HOUR).values.tolist() == [100.0, 4.0, 107.0]
    dry = corrected(store_of([1.0]), {NAME: [Correction(-3.0)]})
    assert dry.window(NAME, START, START + HOUR).values.tolist() == [0.0]
    cold = corrected(store_of([-1.0], "keel.air_c"), {"keel.air_c": [Correction(-3.0)]})
    assert cold.window("keel.air_c", START, START + HOUR).values.tolist() == [-4.0]


def test_flags_stay_as_they_were_set() -> None:
    raw = MemoryStore()
    raw.add([Reading(NAME, START, 55.0, START, Flag.STUCK)])
    assert corrected(raw, {NAME: [Correction(3.0)]}).latest(START, HOUR)[NAME].flags is Flag.STUCK


@pytest.mark.parametrize("maker", MAKERS.values(), ids=MAKERS)
@given(
    values=st.lists(st.floats(20.0, 90.0), min_size=1, max_size=40),
    minutes=st.lists(st.integers(-60, 500), max_size=3, unique=True),
    step_min=st.sampled_from((7, 30, 60, 120)),
)
def test_a_roll_up_is_what_the_corrected_readings_give(
    maker: Callable[[Path], Store], values: list[float], minutes: list[int], step_min: int
) -> None:
    corrections = [
        Correction(i + 1.0, 1.0 + 0.05 * i, START + timedelta(minutes=m)) for i, m in enumerate(minutes)
    ]
    with quick_folder() as folder:
        raw = maker(Path(folder) / "layday.db")
        times = [START + i * timedelta(minutes=10) for i in range(len(values))]
        raw.add([Reading(NAME, at, value, at) for at, value in zip(times, values, strict=True)])
        store = corrected(raw, {NAME: corrections})
        end, step = START + 8 * HOUR, timedelta(minutes=step_min)
        samples = store.window(NAME, START, end)
        parts = rollup.of_readings(samples.times_us, samples.values, samples.flags)
        expected = rollup.fold(rollup.steps(START, end, step), [parts])
        found = store.rollup(NAME, START, end, step)
        raw.close()
    np.testing.assert_array_equal(found.counts, expected.counts)
    for one, other in ((found.lowest, expected.lowest), (found.highest, expected.highest)):
        np.testing.assert_allclose(one, other, atol=1e-9)
    np.testing.assert_allclose(found.means, expected.means, atol=1e-9)


def config(text: str) -> Config:
    return parse_config(tomllib.loads(f"[[sensor]]\n{SENSOR}uncertainty = 2.0\n{text}"), "layday.toml")


def test_the_configuration_gives_corrections_and_the_newest_uncertainty() -> None:
    found = config(
        f'[[calibration]]\nsensor = "{NAME}"\nsince = 2026-04-03T00:00:00Z\noffset = 1.5\ngain = 1.02\n'
        f'uncertainty = 1.1\n[[calibration]]\nsensor = "{NAME}"\nsince = 2025-04-03T00:00:00Z\n'
        f"uncertainty = 3.0\n"
    )
    assert found.corrections == {
        NAME: [Correction(1.5, 1.02, START), Correction(since=datetime(2025, 4, 3, tzinfo=UTC))]
    }
    assert found.sensors[NAME].uncertainty == 1.1
    assert to_us(START) == to_us(found.corrections[NAME][0].since or START)


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        (
            'sensor = "kiel.air_c"',
            "calibration[0].sensor: no sensor is called 'kiel.air_c'; there are: keel.hu",
        ),
        (f'sensor = "{NAME}"\nsince = 2026-04-03T00:00:00', "calibration[0].since: write it with its offset"),
        (
            f'sensor = "{NAME}"\ngain = -1.0',
            "calibration[0].gain: Input should be greater than or equal to 0.5",
        ),
        (f'sensor = "{NAME}"\noffset = inf', "calibration[0].offset: Input should be a finite number"),
        (
            f'sensor = "{NAME}"\n[[calibration]]\nsensor = "{NAME}"',
            "calibration[1].since: keel.humidity_pct has",
        ),
    ],
)
def test_a_mistaken_calibration_is_named(text: str, mistake: str) -> None:
    with pytest.raises(ConfigError) as caught:
        config(f"[[calibration]]\n{text}\n")
    assert mistake in str(caught.value)


def test_a_configuration_file_with_a_calibration_loads(tmp_path: Path) -> None:
    path = tmp_path / "layday.toml"
    path.write_text(f'[[sensor]]\n{SENSOR}[[calibration]]\nsensor = "{NAME}"\noffset = 1.0\n')
    assert load_config(path).corrections[NAME][0].offset == 1.0


def test_nobody_reads_a_store_past_the_calibration() -> None:
    """Only these open a store themselves; all others go through `Session.open_store`."""
    root = Path(__file__).parents[2]
    opening = {
        path.name: path.read_text(encoding="utf-8")
        for folder in ("dashboards", "forecast")
        for path in (root / folder).rglob("*.py")
        if "from collector.store.opening import" in path.read_text(encoding="utf-8")
    }
    # yard.py asks the central store only which sheds there are
    assert set(opening) == {
        *("session.py", "service.py", "demo_shed.py", "watched_shed.py", "yard.py", "yard_refresh.py"),
    }
    assert "corrected(far" in opening["yard_refresh.py"]
    assert "corrected(open_store(" in opening["service.py"]
    assert "return corrected(self.open_raw_store(" in opening["session.py"]
    assert "return corrected(store" in opening["watched_shed.py"]


@given(st.floats(-20.0, 120.0), st.floats(0.8, 1.2), st.floats(-5.0, 5.0), st.sampled_from([0, 2]))
def test_a_reading_alone_is_corrected_to_the_last_bit_as_in_a_stretch(
    value: float, gain: float, offset: float, late_h: int
) -> None:
    corrections = (Correction(offset, gain, START + HOUR), Correction(0.5))
    at = START + late_h * HOUR
    store = MemoryStore()
    store.add([Reading(NAME, at, value, at)])
    found = corrected(store, {NAME: corrections}).window(NAME, at, at + HOUR)
    assert true_reading(Reading(NAME, at, value, at), corrections).value == found.values[0]
