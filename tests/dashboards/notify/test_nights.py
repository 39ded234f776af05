"""Nights of a measured room: people sleep, and a cure that fails is told of in time."""

import pytest

from dashboards.notify.watch import WAKE_UPS_PER_NIGHT
from tests.bench.alarms import measured, nights


@pytest.mark.slow
def test_nights_of_a_measured_room_are_quiet_and_no_failed_cure_goes_untold() -> None:
    """Two nights; `python -m tests.bench.alarms` does a season's."""
    found = list(nights(measured("house_belgium/laundry"), 2))
    assert any(night.failed for night in found)
    assert all(night.is_announced for night in found if night.failed)
    assert max(night.wakes for night in found) <= WAKE_UPS_PER_NIGHT
