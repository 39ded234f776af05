"""What holds for every test: random examples are the same each time, and never fail by the clock."""

import os

import pytest
from hypothesis import HealthCheck, Phase, settings

settings.register_profile(
    "layday", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(  # for tests.mutants: few examples, and no search for the smallest
    "mutants", settings.get_profile("layday"), max_examples=25, phases=[Phase.explicit, Phase.generate]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "layday"))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Run the slow tests first: one that begins last would leave the other workers idle."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
