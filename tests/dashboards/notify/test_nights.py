"""Nights of a measured room: people sleep on what they know, and a cure that fails is told of in time."""

from datetime import time, timedelta

import pytest

from dashboards.notify.quiet import QuietHours
from dashboards.notify.watch import Policy
from tests.bench.alarm_nights import Span, arrival, measured, outlooks, settings
from tests.bench.alarms import follow

GOOD, BAD = 14, 17
WANTED_AFTER = timedelta(hours=13)
"""At five in the morning: the first night gets there in time, the second hours late."""
ASLEEP_ALREADY = Policy(QuietHours(time(16), time(6, 30)))


@pytest.mark.slow
def test_a_good_night_is_quiet_and_one_that_fails_wakes_only_whoever_does_not_know() -> None:
    """Two nights; `python -m tests.bench.alarms` does a season's."""
    shed = measured("house_belgium/office")
    config = settings(shed)
    days = shed.days(16.0)
    spans = [Span(days[one], days[one] + WANTED_AFTER) for one in (GOOD, BAD)]
    made = list(outlooks(shed, config, spans))
    there = [arrival(shed, config, span.laid_at) for span in spans]
    good, bad = (follow(*night) for night in zip(spans, made, there, strict=True))
    assert (good.failed, good.wakes) == (False, 0)
    assert bad.failed
    assert bad.is_announced
    assert bad.pressed
    assert bad.wakes == 0
    unaware = follow(spans[1], made[1], there[1], policy=ASLEEP_ALREADY)
    assert unaware.is_announced
    assert unaware.wakes == 1
