"""Kill -9 at random moments under 2,000 messages a second: nothing lost, nothing double, the file sound."""

from pathlib import Path

import pytest

from tests.faults.kills import hammer
from tests.faults.support import SOUND, expecting_failure_if

KILLS = 6


@pytest.mark.slow
@pytest.mark.parametrize("source", ["listener", "broker"])
def test_killed_at_random_moments_it_loses_and_doubles_nothing(tmp_path: Path, source: str) -> None:
    outcome = hammer(tmp_path, source, kills=KILLS, seed=20_260_401)
    assert outcome.made > KILLS * 500, "there was hardly any traffic; the test proves little"
    assert (outcome.lost, outcome.wrong, outcome.integrity) == (0, 0, {"ok"})


@pytest.mark.slow
def test_acknowledging_before_the_commit_loses_readings(tmp_path: Path) -> None:
    """The check above can fail."""
    with expecting_failure_if("acknowledges_first"):
        outcome = hammer(tmp_path, "listener", kills=4, seed=1, defect="acknowledges_first")
        assert (outcome.lost, outcome.wrong) == (0, 0)


def test_without_a_defect_nothing_is_expected_to_fail() -> None:
    with pytest.raises(AssertionError, match="as it should"), expecting_failure_if(SOUND):
        raise AssertionError("as it should")
