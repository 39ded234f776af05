"""How fast one batch cures: a card's stages at one percentage of hardener, as rates with a band."""

from dataclasses import dataclass

import numpy as np

from forecast.card import Card, Stage
from forecast.rate import Rate


@dataclass(frozen=True, slots=True, eq=False)
class Pace:
    """One milestone of a cure as rates: the quick and the slow end of its 80 % band, and the likely.

    Below `floor_c` [°C] the likely and the slow rate fade to nothing: the sheet has no number
    there and says not to use the resin, so nothing is counted on. The quick rate goes on, since
    a pot that sets or a recoat window that shuts early must not surprise. `sheet_min_c` to
    `sheet_max_c` is what the sheet's own table spans.
    """

    quick: Rate
    likely: Rate
    slow: Rate
    floor_c: float
    sheet_min_c: float
    sheet_max_c: float

    def widened(self, ratio: float) -> "Pace":
        """Return this pace with its band stretched to hold a batch that took `ratio` of the sheet's time.

        Raises
        ------
        ValueError
            If `ratio` is not above 0.
        """
        if not ratio > 0.0:
            raise ValueError(f"ratio must be above 0, not {ratio}")
        return Pace(
            self.quick.times(max(1.0, 1.0 / ratio)),
            self.likely,
            self.slow.times(min(1.0, 1.0 / ratio)),
            self.floor_c,
            self.sheet_min_c,
            self.sheet_max_c,
        )


@dataclass(frozen=True, slots=True, eq=False)
class CureRates:
    """One batch: its card, its percentage, and a pace for each stage in order, gel first.

    `opens` and `closes` bound the recoat window; both are None where the card has none.

    Raises
    ------
    ValueError
        If there is no stage, or the last one does not go on at the card's reference temperature.
    """

    card: Card
    catalyst_pct: float
    stages: tuple[tuple[Stage, Pace], ...]
    opens: Pace | None = None
    closes: Pace | None = None

    def __post_init__(self) -> None:
        if not self.stages:
            raise ValueError(f"card {self.card.key} has no stages")
        stage, pace = self.stages[-1]
        if not np.isfinite(pace.likely.hours(self.card.reference_c)):
            raise ValueError(
                f"card {self.card.key}: reference_c: at {self.card.reference_c:g} °C it never gets {stage}; "
                f"give one of at least {pace.floor_c:g} °C"
            )
