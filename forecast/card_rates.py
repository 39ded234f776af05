"""From a resin card to the pace of one batch."""

from forecast.card import Card, Stage
from forecast.pace import CureRates, Pace
from forecast.rate import GRID_C, Floats, Rate, tabulated_rate
from forecast.resin import gel_surface, recoat_surfaces, stage_surface
from forecast.time_surface import TimeSurface

_MIN_PER_H = 60.0
_ORDER = tuple(Stage)


def cure_rates(card: Card, catalyst_pct: float, gel: TimeSurface | None = None) -> CureRates:
    """Return a batch's pace: gel, each stage of the card in order, and its recoat window.

    The floor of each is the colder of the card's application minimum and the coldest row of
    its own table: below the one the maker gives no number, below the other he says not to.

    Parameters
    ----------
    card : Card
        The resin card.
    catalyst_pct : float
        Hardener in parts per hundred of resin, 0.05 to 200.
    gel : TimeSurface, optional
        The gel surface, where it has learned from a lot; the card's own if not given.

    Raises
    ------
    ValueError
        If a table of the card cannot be one, or `catalyst_pct` is outside its range.
    """
    later = [
        (table.stage, _pace(card, stage_surface(table), table.temps_c))
        for table in sorted(card.stages, key=lambda table: _ORDER.index(table.stage))
        if table.stage is not Stage.GEL  # the gel table knows the percentage too
    ]
    opens = closes = None
    if card.recoat is not None:
        opens, closes = (_pace(card, edge, card.recoat.temps_c) for edge in recoat_surfaces(card.recoat))
    return CureRates(
        card, catalyst_pct, ((Stage.GEL, gel_pace(card, catalyst_pct, gel)), *later), opens, closes
    )


def gel_pace(card: Card, catalyst_pct: float, gel: TimeSurface | None = None) -> Pace:
    """Return a batch's pace to gel alone; arguments and errors as for `cure_rates`."""
    surface = gel_surface(card) if gel is None else gel
    return _pace(card, surface, tuple(cell.temp_c for cell in card.gel), catalyst_pct)


def _pace(
    card: Card, surface: TimeSurface, temps_c: tuple[float, ...], catalyst_pct: float | None = None
) -> Pace:
    floor_c = min(card.application.temp_min_c, *temps_c)
    minutes = surface.minutes(GRID_C, catalyst_pct)
    return Pace(
        quick=_rate(minutes.low_min),
        likely=_rate(minutes.likely_min).fading_below(floor_c),
        slow=_rate(minutes.high_min).fading_below(floor_c),
        floor_c=floor_c,
        sheet_min_c=min(temps_c),
        sheet_max_c=max(temps_c),
    )


def _rate(minutes: Floats) -> Rate:
    return tabulated_rate(_MIN_PER_H / minutes)
