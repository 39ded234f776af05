"""A sensor on the bench that comes to rest while one waits."""

import math
from datetime import UTC, datetime, timedelta

import pytest

from collector.clock import ManualClock
from collector.domain import QUANTITIES, Reading
from collector.errors import InputError
from collector.store.memory import MemoryStore
from dashboards.salt_points import Asked, Bench, read_asked
from forecast.salt import SALTS

START = datetime(2026, 4, 3, 12, 0, tzinfo=UTC)
NAME = "keel.humidity_pct"
HUMIDITY = QUANTITIES["humidity_pct"]


class Box:
    """A closed box in which a sensor creeps from 45 to 75 % with a time constant of 25 min."""

    def __init__(self) -> None:
        self.store = MemoryStore()
        self.clock = ManualClock(START)
        self.said: list[str] = []

    def pause(self, _seconds: float) -> None:
        self.clock.advance(timedelta(seconds=30))
        now = self.clock.now()
        minutes = (now - START).total_seconds() / 60
        value = round(75.0 - 30.0 * math.exp(-minutes / 25), 2)
        self.store.add([Reading(NAME, now, value, now), Reading("keel.air_c", now, 21.0, now)])


def test_it_waits_until_the_sensor_has_come_to_rest_and_says_how_it_moves() -> None:
    """Greenspan: 75.43 % over NaCl at 21 °C, between the table's 75.47 and 75.29.

    What is left of the creep at rest is its drift times the time constant (0.6 %/h x 25 min), and as much
    again in the mean.
    """
    box = Box()
    bench = Bench(box.store, NAME, HUMIDITY, None)
    found = bench.find(Asked("nacl"), box.clock, timedelta(hours=6), box.said.append, box.pause)
    assert found.temp_c == 21.0
    assert found.point.true == pytest.approx(75.434, abs=0.001)
    assert found.point.measured == pytest.approx(75.0, abs=0.5)
    assert box.said[0] == "too few readings to tell whether it is at rest"
    assert "moving by +" in box.said[-1]
    assert timedelta(hours=1) < box.clock.now() - START < timedelta(hours=4)


def test_it_does_not_wait_for_ever() -> None:
    box = Box()
    bench = Bench(box.store, NAME, HUMIDITY, 20.0)
    with pytest.raises(InputError, match=r"moving by \+\d+\.\d % an hour after 0:30:00; leave it longer"):
        bench.find(Asked("nacl"), box.clock, timedelta(minutes=30), box.said.append, box.pause)


def test_readings_from_before_it_went_in_do_not_count() -> None:
    box = Box()
    for minute in range(120):
        at = START - timedelta(minutes=minute)
        box.store.add([Reading(NAME, at, 75.4, at)])
    with pytest.raises(InputError, match="too few readings"):
        Bench(box.store, NAME, HUMIDITY, 20.0).find(
            Asked("nacl"), box.clock, timedelta(0), box.said.append, box.pause
        )


def test_points_as_people_write_them() -> None:
    def moment(text: str) -> datetime:
        assert text == "21:40"
        return START

    assert read_asked("NaCl=72,4", HUMIDITY, moment) == Asked("nacl", 72.4)
    assert read_asked("mgcl2", HUMIDITY, moment) == Asked("mgcl2")
    assert read_asked("nacl@21:40", HUMIDITY, moment) == Asked("nacl", None, START)
    assert read_asked("ice=-0.2", QUANTITIES["part_c"], moment) == Asked("ice", -0.2)
    for text in ("", "nacl=", "nacl=wet", "nacl=72@21:40", "ice"):
        with pytest.raises(InputError, match=f"write one of {', '.join(SALTS)}"):
            read_asked(text, HUMIDITY, moment)
