"""What holds for every test: random examples are the same each time, and never fail by the clock."""

import os

from hypothesis import HealthCheck, Phase, settings

settings.register_profile(
    "layday", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile(  # for tests.mutants: few examples, and no search for the smallest
    "mutants", settings.get_profile("layday"), max_examples=25, phases=[Phase.explicit, Phase.generate]
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "layday"))
