"""What makes a reading suspect. A flag is kept beside the value; nothing is repaired in silence."""

from collector.quality.judge import STATE_KEY, Judge, seeded_judge
from collector.quality.limits import range_flag

__all__ = ["STATE_KEY", "Judge", "range_flag", "seeded_judge"]
