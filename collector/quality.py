"""What makes a reading suspect. A flag is kept beside the value; nothing is repaired in silence."""

from collector.domain import Flag, Quantity


def range_flag(quantity: Quantity, value: float) -> Flag:
    """Flag a value that cannot be true in or around a shed.

    >>> from collector.domain import QUANTITIES
    >>> range_flag(QUANTITIES["humidity_pct"], 104.0).name
    'OUT_OF_RANGE'
    """
    return Flag.NONE if quantity.min_value <= value <= quantity.max_value else Flag.OUT_OF_RANGE
