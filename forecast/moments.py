"""Moments as whole microseconds and back, for sums that know nothing of clocks."""

from collector.clock import from_us, to_us

__all__ = ["from_us", "to_us"]
