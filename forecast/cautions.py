"""What may go wrong with a cure, as data; screens put it into words and people's units."""

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from forecast.air import margin_k
from forecast.card import Card, Family

if TYPE_CHECKING:
    from forecast.rate import Floats

BLUSH_BELOW_C = 15.0
"""Amines left over by a cold epoxy draw water and carbon dioxide: common practice, no source."""
BLUSH_HUMIDITY_PCT = 70.0
"""From this humidity on a cold epoxy is at risk of blush: common practice, no source."""

_NEGLIGIBLE_H = 0.25  # a quarter of an hour of damp or cold is a door left open


class Trouble(StrEnum):
    """What kind of trouble a caution is about."""

    NO_READINGS = "no readings"
    AIR_ONLY = "air only"
    STALLED = "stalled"
    OUTSIDE_SHEET = "outside the data sheet"
    BLUSH = "amine blush"
    DEW = "wet from dew"
    SOFTENS = "softens"
    TOO_LITTLE_HARDENER = "too little hardener"
    TOO_MUCH_HARDENER = "too much hardener"
    ODD_GEL = "odd gel"
    RECOAT_CLOSED = "recoat closed"


@dataclass(frozen=True, slots=True)
class Caution:
    """One trouble with the numbers that its words need; those it does not need are None.

    `temp_c` is a limit or bound [°C], `span_h` how long [h], `hardener_pct` the percentage used
    and `ratio` the share of the expected gel time after which gel was seen.
    """

    trouble: Trouble
    temp_c: float | None = None
    span_h: float | None = None
    hardener_pct: float | None = None
    ratio: float | None = None


def hardener_cautions(card: Card, catalyst_pct: float) -> tuple[Caution, ...]:
    """Return what the percentage of hardener alone gives to worry about.

    A peroxide below the sheet's range may leave the resin soft for good, above it the heat may
    crack it; an epoxy off its ratio in either direction keeps unreacted parts.

    Parameters
    ----------
    card : Card
        The resin card.
    catalyst_pct : float
        Hardener in parts per hundred of resin, above 0.

    Raises
    ------
    ValueError
        If `catalyst_pct` is not above 0.
    """
    if not catalyst_pct > 0.0:
        raise ValueError(f"catalyst_pct must be above 0, not {catalyst_pct}")
    if catalyst_pct < card.catalyst_min_pct:
        return (Caution(Trouble.TOO_LITTLE_HARDENER, hardener_pct=catalyst_pct),)
    if catalyst_pct > card.catalyst_max_pct:
        return (Caution(Trouble.TOO_MUCH_HARDENER, hardener_pct=catalyst_pct),)
    return ()


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """The bay's air while a cure is wet: equally long arrays, times in h after laying, rising."""

    elapsed_h: "Floats"
    air_c: "Floats"
    humidity_pct: "Floats"


def blush_hours(card: Card, air: Air, part_h: "Floats", part_c: "Floats") -> float:
    """Return how long [h] a wet epoxy was cold and damp enough for amine blush.

    Counted is the part below 15 °C in air above 70 %, or at any temperature with less margin
    above the dew point than its card wants. Common practice of the trade, no source; makers
    differ, and a flame that burns unvented adds both water and carbon dioxide.

    Parameters
    ----------
    card : Card
        The resin card; other families than epoxy have no amine and give 0.
    air : Air
        The bay's air; humidity above 0 and at most 100 %. Air outside its times is not judged.
    part_h, part_c : ndarray, shape (steps,)
        The part's temperature [°C] while it was wet, by time [h], rising.

    Raises
    ------
    ValueError
        If a humidity or temperature is outside what moist air can have.
    """
    if card.family is not Family.EPOXY or part_h.size < 2 or not air.elapsed_h.size:  # noqa: PLR2004
        return 0.0
    import numpy as np  # screens read cautions without it

    air_c = np.interp(part_h, air.elapsed_h, air.air_c)
    humidity_pct = np.interp(part_h, air.elapsed_h, air.humidity_pct)
    known = (part_h >= air.elapsed_h[0]) & (part_h <= air.elapsed_h[-1])
    cold_and_damp = (part_c < BLUSH_BELOW_C) & (humidity_pct > BLUSH_HUMIDITY_PCT)
    near_dew = margin_k(part_c, air_c, humidity_pct) < card.application.margin_min_k
    risky = (known & (cold_and_damp | near_dew)).astype(np.float64)
    return float(np.sum((risky[1:] + risky[:-1]) / 2.0 * np.diff(part_h)))


def long_enough(span_h: float) -> bool:
    """Say whether a stretch of trouble [h] is worth a caution: from a quarter of an hour."""
    return span_h >= _NEGLIGIBLE_H
