"""Three minutes of `tests.soak`, which by default takes an hour and has a narrower bound on memory."""

from pathlib import Path

import pytest

from tests.soak import soak

MOST_DRIFT = 0.25  # three minutes are hardly warm, and other tests run beside it


@pytest.mark.slow
def test_three_minutes_of_trouble_lose_nothing_and_leave_nothing_behind(tmp_path: Path) -> None:
    lines: list[str] = []
    outcome = soak(tmp_path, 3.0, 1000.0, lines.append)
    assert outcome.made > 100_000, lines
    assert (outcome.lost, outcome.wrong) == (0, 0), lines
    assert outcome.drift() < MOST_DRIFT, lines
    assert max(outcome.leaked()) <= 0, lines
