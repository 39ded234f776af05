"""Gel time from a resin card, and what pots teach about a lot.

A card's gel-time table becomes a `TimeSurface`; so does each of its stage tables. Cup tests
and observed gels are further observations. All of one user's pots share an offset from the
sheet (his cups, his thermometer, the age of his catalyst), all of one lot a further one.

Without pots the band is the sheet's own: what it would print there. Lots differ from their
sheet by more, which only pots can tell; with pots the band is that of the next pot.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecast._arrhenius import FloatArray, Observations, inverse_temperature
from forecast.card import Card, RecoatTable, Stage, StageTable
from forecast.time_surface import Z_80, Cells, TimeSurface, sheet_observations

_MIN_PER_H = 60.0
_HARDNESS = frozenset({Stage.SANDABLE, Stage.HANDLING, Stage.FULL})
# Standard deviations, as shares, of what a user does differently from the maker, of one lot from
# the next, and of one pot from the next. Common practice, no source.
_USER_SD, _LOT_SD, _POT_SD = 0.10, 0.12, 0.10
# Pots closer than 2 K and 15 % of their catalyst teach the same: their mean is one observation.
_ALIKE_K, _ALIKE_LN_PCT = 2.0, 0.15


@dataclass(frozen=True, slots=True)
class PotGel:
    """A gel that was seen: the pot's temperature [°C], catalyst [%], minutes to gel, and its lot.

    The lot is the number on the resin's drum, empty if not known. Temperature and time must
    be such that one stands for the other: a pot that warmed goes in with the temperature
    whose constant keeping would have gelled it as soon.
    """

    temp_c: float
    catalyst_pct: float
    time_min: float
    lot: str = ""


@dataclass(frozen=True, slots=True)
class LotLearning:
    """How a lot's pots compare with the sheet: ratio of gel times, its 80 % band, and how many pots.

    `ratio` 0.88 gels 12 % quicker than its sheet. Few pots are trusted little: the ratio is
    drawn towards 1.
    """

    lot: str
    ratio: float
    low_ratio: float
    high_ratio: float
    pots: int

    @property
    def words(self) -> str:
        """As in ``lot A7 gels 12 % quicker than its sheet (9 pots)``."""
        pots = f"({self.pots} pot{'' if self.pots == 1 else 's'})"
        who = f"lot {self.lot}" if self.lot else "this resin"
        change_pct = round(100.0 * (self.ratio - 1.0))
        if change_pct == 0:
            return f"{who} gels as its sheet says {pots}"
        how = "quicker" if change_pct < 0 else "slower"
        return f"{who} gels {abs(change_pct)} % {how} than its sheet {pots}"


def gel_cells(card: Card) -> Cells:
    """Return a card's gel-time table."""
    cells = card.gel
    return Cells(
        temps_c=np.array([cell.temp_c for cell in cells]),
        catalyst_pct=np.array([cell.catalyst_pct for cell in cells]),
        low_min=np.array([cell.low_min for cell in cells]),
        high_min=np.array([cell.high_min for cell in cells]),
    )


def gel_surface(card: Card, pots: Sequence[PotGel] = (), lot: str = "") -> TimeSurface:
    """Return gel time [min] over temperature and catalyst, for one lot.

    Parameters
    ----------
    card : Card
        Its gel-time table holds at least one cell.
    pots : sequence of PotGel, optional
        Cup tests and observed gels of this resin, of any lot.
    lot : str, optional
        The lot to predict for. One without pots takes what all pots have in common.

    Raises
    ------
    ValueError
        If the table cannot be one (see `forecast.time_surface.Cells.mistakes`), or a pot is
        outside -40 to 200 °C or 0.05 to 200 %, or took no time.
    """
    cells = gel_cells(card)
    if not pots:
        return TimeSurface(cells)
    return TimeSurface(cells, _with_pots(cells, pots, lot), scatter_share=_POT_SD)


def stage_surface(table: StageTable) -> TimeSurface:
    """Return the time to a stage [min, from mixing] over temperature alone.

    Raises
    ------
    ValueError
        If the table cannot be one.

    >>> from forecast.card import Stage
    >>> tack_free = stage_surface(StageTable(Stage.TACK_FREE, (10.0, 20.0), (8.0, 4.0)))
    >>> f"{tack_free.minutes(20.0).likely_min:.0f}"
    '240'
    """
    return _hours_surface(table.temps_c, table.times_h, hardening=table.stage in _HARDNESS)


def recoat_surfaces(table: RecoatTable) -> tuple[TimeSurface, TimeSurface]:
    """Return when the recoat window opens and when it closes [min, from mixing] over temperature.

    Raises
    ------
    ValueError
        If the table cannot be one.
    """
    return _hours_surface(table.temps_c, table.from_h), _hours_surface(table.temps_c, table.to_h)


def learn_lot(card: Card, pots: Sequence[PotGel], lot: str) -> LotLearning:
    """Return how a lot gels beside its sheet.

    Parameters
    ----------
    card : Card
        The resin's card.
    pots : sequence of PotGel
        Of any lot; the other lots tell what is the user's and what the lot's own.
    lot : str
        The lot asked about.

    Raises
    ------
    ValueError
        As for `gel_surface`.
    """
    count = sum(pot.lot == lot for pot in pots)
    if not pots:
        spread = Z_80 * float(np.hypot(_USER_SD, _LOT_SD))
        return LotLearning(lot, 1.0, float(np.exp(-spread)), float(np.exp(spread)), 0)
    surface = gel_surface(card, pots, lot)
    ratio, spread = np.exp(surface.offset_ln), np.exp(Z_80 * surface.offset_sd_ln)
    return LotLearning(lot, float(ratio), float(ratio / spread), float(ratio * spread), count)


def _hours_surface(
    temps_c: Sequence[float], times_h: Sequence[float], *, hardening: bool = False
) -> TimeSurface:
    return TimeSurface.from_cells(temps_c, None, np.array(times_h) * _MIN_PER_H, hardening=hardening)


def _with_pots(cells: Cells, pots: Sequence[PotGel], lot: str) -> Observations:
    for pot in pots:
        temp, pct, time = (np.array([x]) for x in (pot.temp_c, pot.catalyst_pct, pot.time_min))
        if problems := Cells(temp, pct, time, time).mistakes():
            raise ValueError(f"pot of lot {pot.lot!r} at {pot.temp_c:g} °C: {'; '.join(problems)}")
    alike = _alike(pots)
    means = np.array([[*np.mean([_row(pot) for pot in group], axis=0), len(group)] for group in alike])
    lots = np.array([group[0].lot for group in alike])
    sheet, n = sheet_observations(cells), cells.temps_c.size
    known = lots != ""
    same = (lots[:, None] == lots) & known
    # Pots of no known lot may each be of another: what lots differ by is noise to them.
    noise = np.hypot(_POT_SD, np.where(known, 0.0, _LOT_SD)) / np.sqrt(means[:, 3])
    together = np.zeros((n + lots.size, n + lots.size))
    together[n:, n:] = _USER_SD**2 + _LOT_SD**2 * same
    to_target = _USER_SD**2 + _LOT_SD**2 * ((lots == lot) & known)
    return Observations(
        u=np.concatenate([sheet.u, inverse_temperature(means[:, 0])]),
        z=np.concatenate([sheet.z, means[:, 1]]),
        ln_min=np.concatenate([sheet.ln_min, means[:, 2]]),
        noise=np.concatenate([sheet.noise, noise]),
        together=together,
        to_target=np.concatenate([np.zeros(n), to_target]),
        target_variance=_USER_SD**2 + _LOT_SD**2,
    )


def _row(pot: PotGel) -> FloatArray:
    return np.array([pot.temp_c, np.log(pot.catalyst_pct), np.log(pot.time_min)])


def _alike(pots: Sequence[PotGel]) -> list[list[PotGel]]:
    """Group pots that teach the same, so that a season of them costs no more than a week."""
    groups: dict[tuple[str, int, int], list[PotGel]] = {}
    for pot in pots:
        where = round(pot.temp_c / _ALIKE_K), round(float(np.log(pot.catalyst_pct)) / _ALIKE_LN_PCT)
        groups.setdefault((pot.lot, *where), []).append(pot)
    return list(groups.values())
