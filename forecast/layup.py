"""Resin for an area: plies of mat, roving and cloth, what they drink, and how thick they end up."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from collector.units import CM3_PER_M3, MM_PER_M, PCT


class Weave(StrEnum):
    """What kind of glass a ply is; it decides how much resin it drinks."""

    MAT = "mat"
    ROVING = "woven roving"
    CLOTH = "cloth"


RESIN_TO_GLASS = MappingProxyType({Weave.MAT: 2.5, Weave.ROVING: 1.25, Weave.CLOTH: 1.25})
"""Resin to glass by weight, hand lay-up: mat and woven roving from Practical Action, "Fibreglass
boats"; cloth as woven roving: common practice, no source."""

WASTE_PCT = 15.0
"""Left in pots, rollers and squeegees: common practice, no source."""
_GLASS_G_ML = 2.55
_MAX_AREAL_G_M2 = 5000.0
_MAX_PLIES = 100


@dataclass(frozen=True, slots=True)
class Ply:
    """So many layers of one glass: weight of the dry glass [g/m²], above 0 to 5,000."""

    weave: Weave
    areal_g_m2: float
    count: int = 1

    def __post_init__(self) -> None:
        if not 0.0 < self.areal_g_m2 <= _MAX_AREAL_G_M2:
            raise ValueError(
                f"areal_g_m2 {self.areal_g_m2:g} g/m² must be above 0 and at most {_MAX_AREAL_G_M2:g} g/m²"
            )
        if not 1 <= self.count <= _MAX_PLIES:
            raise ValueError(f"count {self.count} must be 1 to {_MAX_PLIES}")


@dataclass(frozen=True, slots=True)
class Layup:
    """What a lay-up takes.

    `laid_g` of resin end up in the part; `resin_g` is to be mixed, waste included.
    `thickness_mm` is that of the wet laminate without voids, `glass_pct` its glass by weight.
    """

    glass_g: float
    laid_g: float
    resin_g: float
    thickness_mm: float
    glass_pct: float


def layup(
    area_m2: float, plies: Sequence[Ply], *, resin_density_g_ml: float, waste_pct: float = WASTE_PCT
) -> Layup:
    """Return how much glass and resin an area takes.

    Parameters
    ----------
    area_m2 : float
        Area to cover, overlaps included [m²], above 0.
    plies : sequence of Ply
        At least one.
    resin_density_g_ml : float
        Density of the mixed resin [g/mL], above 0.
    waste_pct : float
        Resin mixed but not laid [% of what is laid], 0 to 100.

    Raises
    ------
    ValueError
        If a value is outside its range, or there is no ply.

    >>> one = layup(2.0, [Ply(Weave.MAT, 450.0)], resin_density_g_ml=1.1, waste_pct=0.0)
    >>> one.glass_g, one.resin_g, round(one.thickness_mm, 1)
    (900.0, 2250.0, 1.2)
    """
    for name, value in (("area_m2", area_m2), ("resin_density_g_ml", resin_density_g_ml)):
        if not 0.0 < value < float("inf"):
            raise ValueError(f"{name} {value:g} must be above 0")
    if not 0.0 <= waste_pct <= PCT:
        raise ValueError(f"waste_pct {waste_pct:g} % is outside 0 to 100 %")
    if not plies:
        raise ValueError("plies: a lay-up has at least one ply")
    glass_g_m2 = sum(ply.areal_g_m2 * ply.count for ply in plies)
    resin_g_m2 = sum(ply.areal_g_m2 * ply.count * RESIN_TO_GLASS[ply.weave] for ply in plies)
    volume_m3_m2 = (glass_g_m2 / _GLASS_G_ML + resin_g_m2 / resin_density_g_ml) / CM3_PER_M3
    laid_g = area_m2 * resin_g_m2
    return Layup(
        glass_g=area_m2 * glass_g_m2,
        laid_g=laid_g,
        resin_g=laid_g * (1.0 + waste_pct / PCT),
        thickness_mm=volume_m3_m2 * MM_PER_M,
        glass_pct=PCT * glass_g_m2 / (glass_g_m2 + resin_g_m2),
    )
