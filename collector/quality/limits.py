"""What can be true of a quantity: its range, and how far and how fast it can go.

No standard sets these. The steps were chosen so that two months of three heated greenhouses, five months
of a lived-in house and a week of an office stay all but free of flags (`tests/collector/quality`), and so
that what loose cables, breath and power cuts do stands out: common practice, no source.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from collector.domain import Flag, Quantity

Amount = float
"""A number in its quantity's own unit."""


_NONE = Flag.NONE  # looked up at each reading, which is slow for a member of an enumeration


def range_flag(quantity: Quantity, value: float) -> Flag:
    """Flag a value that cannot be true in or around a shed.

    >>> from collector.domain import QUANTITIES
    >>> range_flag(QUANTITIES["humidity_pct"], 104.0).name
    'OUT_OF_RANGE'
    """
    return _NONE if quantity.min_value <= value <= quantity.max_value else Flag.OUT_OF_RANGE


@dataclass(frozen=True, slots=True)
class Traits:
    """How a quantity behaves.

    Between two readings it goes at most `leap`, plus `pace` for each minute, and never beyond `most`.
    Two sensors whose steps of at least `swap` mirror one another within `alike` were exchanged.
    One that stands `apart` from its neighbours, beyond its usual difference, is odd. `ceiling` is where
    a wet sensor stands; `resets` are values that broken sensors report.
    """

    unit: str
    leap: Amount
    pace: Amount
    most: Amount
    swap: Amount
    alike: Amount
    apart: Amount
    ceiling: Amount = float("inf")
    resets: tuple[tuple[Amount, Flag], ...] = ()

    def reach(self, since_s: float) -> Amount:
        """Return how far it can have gone in a time.

        >>> TRAITS["air_c"].reach(60.0)
        10.0
        """
        return min(self.leap + self.pace * since_s / 60.0, self.most)


_PROBE_RESETS = (
    (85.0, Flag.POWER_ON),  # what a DS18B20 holds at power-on (its data sheet, table 1)
    (0.0, Flag.ALL_ZERO),  # a scratchpad of zeros passes its checksum and reads 0 °C
)

TRAITS: Mapping[str, Traits] = MappingProxyType(
    {
        "air_c": Traits("°C", 6.0, 4.0, 15.0, 3.0, 1.0, 15.0, resets=_PROBE_RESETS),
        "part_c": Traits("°C", 6.0, 5.0, 20.0, 3.0, 1.0, 20.0, resets=_PROBE_RESETS),
        "humidity_pct": Traits(
            "%", 20.0, 15.0, 60.0, 8.0, 3.0, 40.0, ceiling=99.5, resets=((0.0, Flag.ALL_ZERO),)
        ),
    }
)
"""The quantities that verdicts rest on. Others are checked for their range and their clock alone: a switch
stands still for weeks, and sun and wind leap."""
