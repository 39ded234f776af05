"""The configuration's limits as verdicts want them."""

from collector.config import LimitsConfig
from forecast.verdict import Limits


def limits_of(given: LimitsConfig) -> Limits:
    """Return the limits of a configuration."""
    return Limits(
        air_min_c=given.air_min_c,
        air_max_c=given.air_max_c,
        part_min_c=given.part_min_c,
        part_max_c=given.part_max_c,
        humidity_max_pct=given.humidity_max_pct,
        margin_min_k=given.margin_min_k,
        stale_after_s=given.stale_after.total_seconds(),
    )
