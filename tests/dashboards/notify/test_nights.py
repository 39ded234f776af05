"""Nights of a measured room: people sleep, and a cure that fails is told of in time."""

from datetime import timedelta

import pytest

from dashboards.notify.watch import WAKE_UPS_PER_NIGHT
from forecast.forecaster import Forecaster
from tests.bench.alarms import follow, measured, paces_once, settings

WANTED_AFTER = timedelta(hours=13)
"""At five in the morning: the first night gets there in time, the second more than an hour late."""


@pytest.mark.slow
def test_a_good_night_is_quiet_and_one_that_fails_wakes_somebody_who_can_still_help() -> None:
    """Two nights; `python -m tests.bench.alarms` does a season's."""
    shed, forecaster = measured("house_belgium/office"), Forecaster()
    config = settings(shed)
    with paces_once():
        good, bad = (
            follow(shed, config, (laid_at, laid_at + WANTED_AFTER), forecaster) for laid_at in shed.nights(2)
        )
    assert (good.failed, good.wakes) == (False, 0)
    assert bad.failed
    assert bad.is_announced
    assert bad.pressed
    assert 1 <= bad.wakes <= WAKE_UPS_PER_NIGHT
