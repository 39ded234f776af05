"""A made-up vinyl ester and helpers for tests of cures; its numbers only have to be like a sheet's."""

from datetime import UTC, datetime, timedelta

from forecast.card import Application, Card, Family, GelCell, Hardener, Stage, StageTable
from forecast.pace import CureRates, Pace
from forecast.rate import Rate, arrhenius_rate

LAID_AT = datetime(2026, 4, 2, 19, 30, tzinfo=UTC)
FLOOR_C = 12.0


def a_card(family: Family = Family.VINYL_ESTER) -> Card:
    """Return a card; only what the sums of a cure read from it matters."""
    return Card(
        key="test",
        name="test resin",
        family=family,
        generic=True,
        hardener=Hardener("MEKP", 1.18),
        catalyst_min_pct=1.0,
        catalyst_max_pct=2.0,
        application=Application(15.0, 30.0, 80.0, 3.0),
        gel=(GelCell(23.0, 1.5, 30.0, 30.0),),
        stages=(StageTable(Stage.SANDABLE, (FLOOR_C, 23.0), (20.0, 8.0)),),
        recoat=None,
        base_c=5.0,
        reference_c=23.0,
        heat_of_reaction_j_g=350.0,
        density_g_ml=1.1,
    )


def a_pace(hours_at_23: float, activation_k: float = 8000.0, band: float = 1.25) -> Pace:
    """Return the pace of something that takes so many hours at 23 °C."""

    def rate(hours: float) -> Rate:
        return arrhenius_rate(activation_k, 23.0, hours)

    return Pace(
        quick=rate(hours_at_23 / band),
        likely=rate(hours_at_23).fading_below(FLOOR_C),
        slow=rate(hours_at_23 * band).fading_below(FLOOR_C),
        floor_c=FLOOR_C,
        sheet_min_c=FLOOR_C,
        sheet_max_c=35.0,
    )


def some_rates(card: Card | None = None, catalyst_pct: float = 1.5) -> CureRates:
    """Return a batch: gel in half an hour, tack-free in 3 h, sandable in 8 h, full in 60 h, at 23 °C."""
    return CureRates(
        card=card or a_card(),
        catalyst_pct=catalyst_pct,
        stages=(
            (Stage.GEL, a_pace(0.5, 6000.0)),
            (Stage.TACK_FREE, a_pace(3.0, 6000.0)),
            (Stage.SANDABLE, a_pace(8.0)),
            (Stage.FULL, a_pace(60.0)),
        ),
        opens=a_pace(2.0, 6000.0),
        closes=a_pace(24.0, 6000.0),
    )


def after(hours: float) -> datetime:
    """Return the time so many hours after laying."""
    return LAID_AT + timedelta(hours=hours)
