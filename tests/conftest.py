"""What holds for every test: random examples are the same each time, and never fail by the clock."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "layday", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("layday")
