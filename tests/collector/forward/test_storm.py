"""Everything arrives once, whatever is killed and whatever is answered meanwhile."""

from pathlib import Path

import pytest

from tests.central import running
from tests.collector.forward.door import FAULTS
from tests.collector.forward.storm import Plan, storm


@pytest.mark.slow
def test_everything_arrives_once_and_only_bad_lines_are_put_aside(tmp_path: Path) -> None:
    """InfluxDB 1.6 behind nginx, which stands in for a 2.x front door; the door before it does the harm."""
    with running("influx") as central:
        found = storm(central, tmp_path, Plan(readings=12_000, kills=5, server_kills=3))
    assert (found.lost, found.wrong, found.strange) == (0, 0, 0)
    assert found.buried == found.to_bury
    assert all(found.faults.get(fault) for fault in FAULTS), found.faults
