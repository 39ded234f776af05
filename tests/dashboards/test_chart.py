"""Charts in dots and in letters, on courses whose picture can be told beforehand."""

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest
from rich.style import Style

from collector.clock import to_us
from dashboards.terminal.chart import Course, Frame, Spread, chart_lines

START = datetime(2026, 4, 2, 12, 0, tzinfo=UTC)
HOURS = range(25)
TIMES = [to_us(START + timedelta(hours=h)) for h in HOURS]


def course(values: Sequence[float], name: str = "part", every: int = 1) -> Course:
    return Course(name, name[0], TIMES, values, every, Style())


def frame(levels: tuple[float, ...] = (), *, plain: bool = True, now_h: float = 12.0) -> Frame:
    now = START + timedelta(hours=now_h)
    return Frame(START, START + timedelta(hours=24), now, levels, "°C", UTC, plain)


def drawn(
    courses: list[Course], at: Frame, spread: Spread | None = None, size: tuple[int, int] = (60, 10)
) -> list[str]:
    return [line.plain.rstrip() for line in chart_lines(courses, spread, at, *size)]


def test_a_rising_line_goes_from_the_lower_left_to_the_upper_right() -> None:
    lines = drawn([course(HOURS)], frame(now_h=-1.0))
    columns = [line.find("p", 6) for line in lines[:-1]]
    assert columns == sorted(columns, reverse=True)
    assert lines[0].endswith("part")
    assert lines[-1].split() == ["°C", "12:00", "18:00", "Fri", "06:00"]


def test_each_course_ends_in_its_name_even_where_two_meet() -> None:
    names = {line.split()[-1] for line in drawn([course([20.0] * 25), course([20.1] * 25, "air")], frame())}
    assert {"part", "air"} <= names


def test_a_limit_lies_across_and_now_stands_up() -> None:
    lines = drawn([course([18.0] * 25)], frame((16.0,)))
    level = next(line for line in lines if line.count("-") > 10)
    assert lines.index(level) > next(i for i, line in enumerate(lines) if "ppp" in line)
    assert sum("|" in line for line in lines) >= 7
    assert not any(line.count("-") > 10 for line in drawn([course([18.0] * 25)], frame((40.0,))))  # too far


def test_a_hole_in_the_readings_is_a_hole_in_the_line() -> None:
    values = [20.0] * 8 + [math.nan] * 8 + [20.0] * 9
    line = max(drawn([course(values)], frame(now_h=-1.0)), key=lambda text: text.count("p"))
    inner = line.removesuffix("part").rstrip()
    assert " " * 12 in inner[inner.index("p") : inner.rindex("p")]


def test_the_band_is_hatched_between_its_edges_only() -> None:
    spread = Spread(TIMES, [10.0] * 25, [14.0] * 25, Style())
    lines = drawn([course([20.0] * 25)], frame(now_h=-1.0), spread, (60, 12))
    hatched = [i for i, line in enumerate(lines) if line.count(":") > 8 and "°C" not in line]
    assert hatched == list(range(hatched[0], hatched[-1] + 1))
    assert hatched[0] > next(i for i, line in enumerate(lines) if "ppp" in line)


def test_in_dots_it_is_four_times_as_fine() -> None:
    lines = drawn([course(HOURS)], frame(plain=False))
    letters = {letter for line in lines[:-1] for letter in line if ord(letter) >= 0x2800}
    assert letters
    assert max(map(ord, letters)) <= 0x28FF
    assert len(lines) == 10


@pytest.mark.parametrize("size", [(20, 10), (60, 3)])
def test_without_room_there_is_none(size: tuple[int, int]) -> None:
    assert drawn([course([20.0] * 25)], frame(), None, size) == []


def test_without_anything_to_draw_there_is_none() -> None:
    assert drawn([course([math.nan] * 25)], frame()) == []
    assert drawn([], frame()) == []


def test_hours_are_the_sheds_own_on_the_night_clocks_change() -> None:
    """Put forward at 01:00 UTC on 29 March 2026 in Dublin: the line has no 01:00."""
    from zoneinfo import ZoneInfo

    start = datetime(2026, 3, 28, 21, 0, tzinfo=UTC)
    times = [to_us(start + timedelta(hours=h)) for h in HOURS[:9]]
    night = Course("part", "p", times, [20.0] * 9, 1, Style())
    at = Frame(start, start + timedelta(hours=8), start, (), "°C", ZoneInfo("Europe/Dublin"), plain=True)
    hours = drawn([night], at, size=(110, 8))[-1].split()
    assert hours[:7] == ["°C", "21:00", "22:00", "23:00", "Sun", "02:00", "03:00"]


@pytest.mark.parametrize("plain", [True, False])
@pytest.mark.parametrize("size", [(24, 4), (49, 7), (79, 12), (199, 40)])
def test_every_line_fits(size: tuple[int, int], plain: bool) -> None:  # noqa: FBT001  a parameter
    spread = Spread(TIMES, [10.0] * 25, [14.0] * 25, Style())
    courses = [
        course([15.0 + 5.0 * math.sin(h) for h in HOURS]),
        course([2.0 * h for h in HOURS], "dew point", 3),
    ]
    lines = chart_lines(courses, spread, frame((16.0,), plain=plain), *size)
    assert len(lines) in {0, size[1]}
    assert all(line.cell_len <= size[0] for line in lines)
