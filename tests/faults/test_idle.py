"""A daemon with little to do takes little: what a small computer in a tent can spare."""

import pytest

from tests.bench.idle import idle


@pytest.mark.slow
def test_an_idle_daemon_is_small_and_quiet() -> None:
    """The targets are 60 MB and 1 % of a core; the bounds are generous, as other tests run beside it."""
    found = idle(20.0)
    assert found.memory_mb < 75
    assert found.cpu_pct < 5
    assert found.threads <= 8
