"""What a mass of reacting resin can warm and how it sheds heat: in a pot, in a tray, on the mould.

Where a figure is uncertain these err towards more heat and an earlier end: a mass is taken to be
as warm as its heart, and the bench under a pot to take no heat.
"""

from dataclasses import dataclass

import numpy as np

from collector.units import CM3_PER_M3, G_PER_KG, MM_PER_M, PCT
from forecast.reaction import Reaction

# Still air with its share of radiation, upward, sideways and downward: the surface resistances
# of ISO 6946 (from memory).
_TOP_M2_K_W = 0.10
_SIDE_M2_K_W = 0.13
_BOTTOM_M2_K_W = 0.17
# Handbook values, from memory. Resin: 0.2 W/(m K), 2.0 J/(g K) between room and peak. Glass:
# 0.8 J/(g K), 2.55 g/mL. Laminate: 0.4 W/(m K).
_RESIN_W_M_K = 0.2
_LAMINATE_W_M_K = 0.4
_RESIN_J_G_K = 2.0
_GLASS_J_G_K = 0.8
_GLASS_G_ML = 2.55
# A mould skin of 5 mm of glass laminate: half its 8.8 kJ/(m² K) warms with the part, and the rest
# of the heat that enters leaves by its back.
_MOULD_J_M2_K = 4400.0
_MOULD_M2_K_W = 0.005 / _LAMINATE_W_M_K + _TOP_M2_K_W

TRAY_M2 = 0.06
"""What a roller tray offers, 20 x 30 cm: common practice, no source."""
MAX_MASS_G = 50.0 * G_PER_KG
MAX_THICKNESS_MM = 50.0
_MAX_GLASS_PCT = 80.0
_THINNEST_M = 0.001


@dataclass(frozen=True, slots=True)
class Body:
    """A mass of resin and whatever shares its temperature.

    `rise_k` is how far the full heat of reaction would warm it [K], `loss_per_s` its heat
    loss per kelvin over its heat capacity [1/s].
    """

    rise_k: float
    loss_per_s: float


def in_pot(resin: Reaction, mass_g: float) -> Body:
    """Return a batch in a pot that it fills as deep as the pot is wide.

    Heat leaves by the side and the top; the bench under the pot takes none.

    Parameters
    ----------
    resin : Reaction
        The mixed resin.
    mass_g : float
        Mass of the batch [g], above 0 to 50,000.

    Raises
    ------
    ValueError
        If the mass is outside the range.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> ester = reaction(Family.VINYL_ESTER, lambda t: 30.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                  heat_j_g=380.0, density_g_ml=1.1)
    >>> in_pot(ester, 500.0).loss_per_s < in_pot(ester, 100.0).loss_per_s
    True
    """
    _check("mass_g", mass_g, MAX_MASS_G, "g")
    radius_m = (mass_g / resin.density_g_ml / CM3_PER_M3 / (2.0 * np.pi)) ** (1.0 / 3.0)
    top_m2, side_m2 = np.pi * radius_m**2, 4.0 * np.pi * radius_m**2
    inside = radius_m / (2.0 * _RESIN_W_M_K)  # heart to wall of a cylinder that warms evenly
    loss_w_k = top_m2 / (_TOP_M2_K_W + inside) + side_m2 / (_SIDE_M2_K_W + inside)
    return Body(resin.heat_j_g / _RESIN_J_G_K, loss_w_k / (mass_g * _RESIN_J_G_K))


def in_tray(resin: Reaction, mass_g: float, area_m2: float = TRAY_M2) -> Body:
    """Return a batch poured out flat in a thin tray; heat leaves by its top and, less, its bottom.

    Parameters
    ----------
    resin : Reaction
        The mixed resin.
    mass_g : float
        Mass of the batch [g], above 0 to 50,000.
    area_m2 : float
        What it spreads over [m²], above 0; a little resin does not spread thinner than 1 mm.

    Raises
    ------
    ValueError
        If a value is outside its range.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> ester = reaction(Family.VINYL_ESTER, lambda t: 30.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                  heat_j_g=380.0, density_g_ml=1.1)
    >>> in_tray(ester, 500.0).loss_per_s > in_pot(ester, 500.0).loss_per_s
    True
    """
    _check("mass_g", mass_g, MAX_MASS_G, "g")
    if not 0.0 < area_m2 < np.inf:
        raise ValueError(f"area_m2 {area_m2:g} m² must be above 0")
    volume_m3 = mass_g / resin.density_g_ml / CM3_PER_M3
    area_m2 = min(area_m2, volume_m3 / _THINNEST_M)
    depth_m = volume_m3 / area_m2
    inside = depth_m / 2.0 / _RESIN_W_M_K / 2.0  # heart, half way down, to a face
    loss_w_k = area_m2 / (_TOP_M2_K_W + inside) + area_m2 / (_BOTTOM_M2_K_W + inside)
    return Body(resin.heat_j_g / _RESIN_J_G_K, loss_w_k / (mass_g * _RESIN_J_G_K))


def on_mould(resin: Reaction, thickness_mm: float, glass_pct: float) -> Body:
    """Return a laminate laid in one go on a mould with a skin of glass laminate.

    Heat leaves by both faces, and half the mould's skin warms with the part. A part
    over foam or wood gets hotter than this.

    Parameters
    ----------
    resin : Reaction
        The mixed resin.
    thickness_mm : float
        Thickness of the wet laminate [mm], above 0 to 50.
    glass_pct : float
        Glass in it [% by weight], 0 to 80.

    Raises
    ------
    ValueError
        If a value is outside its range.

    >>> from forecast.card import Family
    >>> from forecast.reaction import reaction
    >>> ester = reaction(Family.VINYL_ESTER, lambda t: 30.0 * 2.0 ** ((20.0 - t) / 10.0),
    ...                  heat_j_g=380.0, density_g_ml=1.1)
    >>> on_mould(ester, 5.0, glass_pct=30.0).rise_k < on_mould(ester, 5.0, glass_pct=0.0).rise_k
    True
    """
    _check("thickness_mm", thickness_mm, MAX_THICKNESS_MM, "mm")
    if not 0.0 <= glass_pct <= _MAX_GLASS_PCT:
        raise ValueError(f"glass_pct {glass_pct:g} % is outside 0 to {_MAX_GLASS_PCT:g} %")
    glass = glass_pct / PCT
    thickness_m = thickness_mm / MM_PER_M
    mass_g_m2 = thickness_m * CM3_PER_M3 / ((1.0 - glass) / resin.density_g_ml + glass / _GLASS_G_ML)
    heat_capacity_j_m2_k = mass_g_m2 * ((1.0 - glass) * _RESIN_J_G_K + glass * _GLASS_J_G_K) + _MOULD_J_M2_K
    inside = thickness_m / 2.0 / _LAMINATE_W_M_K / 2.0  # heart, half way in, to a face
    loss_w_m2_k = 1.0 / (_TOP_M2_K_W + inside) + 1.0 / (_MOULD_M2_K_W + inside)
    return Body(
        (1.0 - glass) * mass_g_m2 * resin.heat_j_g / heat_capacity_j_m2_k, loss_w_m2_k / heat_capacity_j_m2_k
    )


def _check(name: str, value: float, high: float, unit: str) -> None:
    if not 0.0 < value <= high:
        raise ValueError(f"{name} {value:g} {unit} must be above 0 and at most {high:g} {unit}")
