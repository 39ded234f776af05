"""What to stir in, how long it lasts, and how much of it to mix at a time."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from collector.units import PCT
from forecast.body import in_pot
from forecast.card import Card, Family, Hardener
from forecast.layup import Layup
from forecast.pot import (
    HOT_LAMINATE_C,
    WorkTimes,
    as_film_of_cup,
    gels_min,
    laminate_peak_c,
    largest_mass_g,
    work_times,
)
from forecast.reaction import Floats, Reaction, reaction
from forecast.time_surface import GelTime, TimeSurface

WORKABLE_SHARE = 0.75
"""Of the time to gel; from there on a batch strings and drags: common practice, no source."""
LAYING_G_MIN = 100.0
"""What one person wets out in a minute, 1 kg in ten: common practice, no source."""
_HOT_POT_C = 100.0  # polyethylene tubs soften, foam cups melt: common practice, no source
_SIMILAR = 1e-9


@dataclass(frozen=True, slots=True)
class Catalyst:
    """An amount of hardener, weighed or poured: the same by both."""

    mass_g: float
    volume_ml: float


@dataclass(frozen=True, slots=True)
class Percentage:
    """The catalyst to use; `limit` says which end of the card's range was met, if the wish was not."""

    catalyst_pct: float
    limit: str = ""


@dataclass(frozen=True, slots=True)
class Batches:
    """How to divide a job: so many pots of so much resin [g], each used up in `use_min`."""

    pots: int
    resin_g: float
    use_min: float


@dataclass(frozen=True, slots=True)
class Mix:
    """A mix and how long it lasts.

    `gel` is the data sheet's own time as its gel surface gives it; `work` what the mass does
    in its pot, in a tray and as a film. `outside` says in words how the point lies outside
    the data sheet, empty if it does not.
    """

    percentage: Percentage
    resin_g: float
    catalyst: Catalyst
    gel: GelTime[float]
    work: WorkTimes
    outside: str
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]

    def with_warnings(self, more: Sequence[str]) -> "Mix":
        """Return the same mix with more to look out for."""
        return replace(self, warnings=(*self.warnings, *more))


def catalyst_for(
    resin_g: float, catalyst_pct: float, hardener: Hardener, resin_density_g_ml: float
) -> Catalyst:
    """Return the hardener for an amount of resin, by mass and by volume.

    Parameters
    ----------
    resin_g : float
        Resin, without hardener [g], above 0.
    catalyst_pct : float
        Parts of hardener to a hundred of resin [%], above 0 to 200.
    hardener : Hardener
        Its `by` says whether the parts are of weight or of volume.
    resin_density_g_ml : float
        Density of the resin [g/mL], above 0.

    Raises
    ------
    ValueError
        If a value is outside its range.

    >>> round(catalyst_for(1000.0, 1.0, Hardener("MEKP", 1.18), 1.1).volume_ml, 2)
    8.47
    """
    for name, value in (("resin_g", resin_g), ("resin_density_g_ml", resin_density_g_ml)):
        if not 0.0 < value < math.inf:
            raise ValueError(f"{name} {value:g} must be above 0")
    if not 0.0 < catalyst_pct <= 2.0 * PCT:
        raise ValueError(f"catalyst_pct {catalyst_pct:g} % must be above 0 and at most 200 %")
    if hardener.by == "volume":
        volume_ml = resin_g / resin_density_g_ml * catalyst_pct / PCT
        return Catalyst(volume_ml * hardener.density_g_ml, volume_ml)
    mass_g = resin_g * catalyst_pct / PCT
    return Catalyst(mass_g, mass_g / hardener.density_g_ml)


def percent_for_work_time(card: Card, surface: TimeSurface, temp_c: float, work_min: float) -> Percentage:
    """Return the catalyst whose likely gel time is the one wanted, or the card's nearest limit.

    Parameters
    ----------
    card : Card
        Its range of catalyst is never left.
    surface : TimeSurface
        The card's gel surface.
    temp_c : float
        Where it will gel [°C], -40 to 200.
    work_min : float
        Time wanted from mixing to gel [min], above 0.

    Raises
    ------
    ValueError
        If a value is outside its range.
    """
    least, most = card.catalyst_min_pct, card.catalyst_max_pct
    if most - least < _SIMILAR:  # an epoxy's ratio is fixed; only the temperature is left to choose
        likely_min = surface.likely_min(temp_c, least)
        met = math.isclose(likely_min, work_min, rel_tol=0.01)
        return Percentage(least, "" if met else "low" if work_min > likely_min else "high")
    found = surface.percent_for(temp_c, work_min, (least, most))
    if found.catalyst_pct is not None:
        return Percentage(found.catalyst_pct)
    return Percentage(least if found.limit == "low" else most, found.limit)


def card_reaction(
    card: Card, surface: TimeSurface, catalyst_pct: float, *, cautious: bool = False
) -> Reaction:
    """Return how a card's resin reacts at a percentage, its sheet's cup allowed for.

    Parameters
    ----------
    card : Card
        Whose cells may say the mass of the cup they were taken in.
    surface : TimeSurface
        The card's gel surface.
    catalyst_pct : float
        Parts of hardener to a hundred of resin [%], 0.05 to 200.
    cautious : bool
        Take the short end of the gel times instead of the likely.

    Raises
    ------
    ValueError
        If a value is outside its range.
    """

    def sheet_min(temps_c: Floats) -> Floats:
        times = surface.minutes(temps_c, catalyst_pct)
        return times.low_min if cautious else times.likely_min

    resin = reaction(
        card.family, sheet_min, heat_j_g=card.heat_of_reaction_j_g, density_g_ml=card.density_g_ml
    )
    cups_g = [cell.cup_g for cell in card.gel if cell.cup_g is not None]
    if not cups_g:
        return resin
    middle_c = float(np.median([cell.temp_c for cell in card.gel]))
    return as_film_of_cup(resin, float(np.median(cups_g)), middle_c)


def mix(card: Card, surface: TimeSurface, percentage: Percentage, resin_g: float, temp_c: float) -> Mix:
    """Return a mix: hardener, how long it lasts, and what to look out for.

    Parameters
    ----------
    card : Card
        The resin card.
    surface : TimeSurface
        Its gel surface, with what was learned of the lot.
    percentage : Percentage
        The catalyst; `percent_for_work_time` finds one.
    resin_g : float
        Resin in one pot, without hardener [g], above 0.
    temp_c : float
        Expected temperature of resin, air and part [°C], -10 to 60.

    Raises
    ------
    ValueError
        If a value is outside its range.
    """
    catalyst_pct = percentage.catalyst_pct
    catalyst = catalyst_for(resin_g, catalyst_pct, card.hardener, card.density_g_ml)
    gel = surface.minutes(temp_c, catalyst_pct)
    work = work_times(card_reaction(card, surface, catalyst_pct), resin_g + catalyst.mass_g, temp_c, temp_c)
    outside = surface.outside_words(temp_c, catalyst_pct)
    warnings = [
        *_percentage_warnings(card, percentage, gel),
        *([f"{outside}: the times are guesses"] if outside else []),
        *_temperature_warnings(card, temp_c),
        *_pot_warnings(work),
        *(["this is a generic card: no boat should depend on it"] if card.generic else []),
    ]
    return Mix(
        percentage, resin_g, catalyst, gel, work, outside, tuple(warnings), standing_cautions(card.family)
    )


def batches(
    card: Card,
    surface: TimeSurface,
    catalyst_pct: float,
    resin_g: float,
    temp_c: float,
    *,
    laying_g_min: float = LAYING_G_MIN,
) -> Batches | None:
    """Divide a job into equal pots, none of which dies before it is used up.

    A pot must be empty after three quarters of the time it lasts, at the short end of its
    gel times.

    Parameters
    ----------
    card, surface
        As in `mix`.
    catalyst_pct : float
        Parts of hardener to a hundred of resin [%], 0.05 to 200.
    resin_g : float
        Resin for the whole job, without hardener [g], above 0.
    temp_c : float
        Expected temperature of resin and air [°C], -10 to 60.
    laying_g_min : float
        How much is laid in a minute [g/min], above 0.

    Returns
    -------
    Batches or None
        None if it goes off before even a spoonful could be laid.

    Raises
    ------
    ValueError
        If a value is outside its range.
    """
    for name, value in (("resin_g", resin_g), ("laying_g_min", laying_g_min)):
        if not 0.0 < value < math.inf:
            raise ValueError(f"{name} {value:g} must be above 0")
    resin = card_reaction(card, surface, catalyst_pct, cautious=True)

    def used_in_time(masses_g: Floats) -> list[bool]:
        lasts_min = gels_min(resin, [in_pot(resin, float(mass)) for mass in masses_g], temp_c, temp_c)
        needed_min = masses_g / laying_g_min
        return [
            not WORKABLE_SHARE * lasts < needed for lasts, needed in zip(lasts_min, needed_min, strict=True)
        ]

    largest_g = largest_mass_g(used_in_time)
    if largest_g is None:
        return None
    mixed_g = resin_g + catalyst_for(resin_g, catalyst_pct, card.hardener, card.density_g_ml).mass_g
    pots = math.ceil(mixed_g / largest_g - _SIMILAR)
    return Batches(pots, resin_g / pots, mixed_g / pots / laying_g_min)


def layup_warnings(
    card: Card, surface: TimeSurface, catalyst_pct: float, lay: Layup, temp_c: float
) -> tuple[str, ...]:
    """Warn if all plies laid in one go would cure too hot.

    Parameters
    ----------
    card, surface
        As in `mix`.
    catalyst_pct : float
        Parts of hardener to a hundred of resin [%], 0.05 to 200.
    lay : Layup
        What is laid in one go; wet thickness up to 50 mm.
    temp_c : float
        Expected temperature of resin, air and part [°C], -10 to 60.

    Raises
    ------
    ValueError
        If a value is outside its range.
    """
    resin = card_reaction(card, surface, catalyst_pct)
    peak_c = laminate_peak_c(resin, lay.thickness_mm, lay.glass_pct, temp_c, temp_c)
    if peak_c < HOT_LAMINATE_C:
        return ()
    return (
        (
            f"{lay.thickness_mm:.1f} mm in one go gets hot enough to warp, print through or craze: "
            "lay it in two goes and let the first cool"
        ),
    )


def standing_cautions(family: Family) -> tuple[str, ...]:
    """Return the usual cautions of a family of resins; the maker's data sheet and local rules decide."""
    common = (
        "the resin maker's data sheet and local rules decide",
        "gloves and eye protection while mixing",
        "what is left in a pot gets hot: pour it out thin, outdoors, away from anything that burns",
        "no flame and no sparks near open resin, solvent or hardener",
    )
    if family is Family.EPOXY:
        return (*common, "keep amine hardener off the skin: an allergy to it stays for life")
    return (
        *common,
        "peroxide and promoter never meet: one is stirred into the resin before the other is opened",
        "peroxide in an eye blinds within minutes: rinse at once and for long, then see a doctor",
        "styrene: air the shed, or wear a mask for organic vapour",
    )


def _percentage_warnings(card: Card, percentage: Percentage, gel: GelTime[float]) -> list[str]:
    pct, least, most = percentage.catalyst_pct, card.catalyst_min_pct, card.catalyst_max_pct
    if pct < least - _SIMILAR:
        return [f"{pct:g} % is under the card's {least:g} %: it may stay soft for good. Don't"]
    if pct > most + _SIMILAR:
        return [f"{pct:g} % is over the card's {most:g} %: too hot, brittle, and no stronger. Don't"]
    if percentage.limit == "low":
        return [
            (
                f"that long is not to be had: the least, {least:g} %, lasts about {gel.likely_min:.0f} min; "
                "work cooler or take a slower resin, never less hardener"
            )
        ]
    if percentage.limit == "high":
        return [
            (
                f"that short is not to be had: the most, {most:g} %, takes about {gel.likely_min:.0f} min; "
                "work warmer, never with more hardener"
            )
        ]
    return []


def _temperature_warnings(card: Card, temp_c: float) -> list[str]:
    if temp_c < card.application.temp_min_c:
        return ["colder than the card allows: warm the shed and the part first"]
    if temp_c > card.application.temp_max_c:
        return ["warmer than the card allows: cool the shed or wait for the evening"]
    return []


def _pot_warnings(work: WorkTimes) -> list[str]:
    found = []
    if work.pot_min < WORKABLE_SHARE * work.tray_min:
        found.append(
            f"in its pot this lasts {work.pot_min:.0f} min, in a tray {work.tray_min:.0f}: "
            "pour it out at once, or mix less"
        )
    if work.tray_peak_c > _HOT_POT_C:
        found.append("left standing, even in a tray, so much gets hot enough to smoke: lay it or mix less")
    elif work.pot_peak_c > _HOT_POT_C:
        found.append("left in its pot this gets hot enough to melt it and to smoke")
    return found
