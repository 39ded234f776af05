"""From a card to paces: order, floors, and the sheet's own times through the whole sum."""

from dataclasses import replace

import numpy as np
import pytest

from forecast.card import Card, Family, GelCell, RecoatTable, Stage, StageTable
from forecast.card_rates import cure_rates
from forecast.course import course
from forecast.cure import reached_h
from forecast.pace import CureRates, Pace
from forecast.resin import gel_surface
from tests.forecast.curing import a_card
from tests.vectors import rows

# One maker's chart of an amine epoxy (read), in °C from its °F.
CHART = rows("epoxy_stages.csv")
TEMPS_C = tuple((float(row["temp_f"]) - 32.0) / 1.8 for row in CHART)


def column(name: str, per_h: float = 1.0) -> tuple[float, ...]:
    return tuple(float(row[name]) / per_h for row in CHART)


def chart_card() -> Card:
    return replace(
        a_card(Family.EPOXY),
        gel=tuple(GelCell(t, 1.5, m, m) for t, m in zip(TEMPS_C, column("gel_min"), strict=True)),
        stages=(
            StageTable(Stage.FULL, TEMPS_C, column("shore_d75_h")),
            StageTable(Stage.TACK_FREE, TEMPS_C, column("dry_h")),
            StageTable(Stage.SANDABLE, TEMPS_C, column("shore_d65_h")),
            StageTable(Stage.GEL, TEMPS_C, column("dry_h")),  # the gel table goes before it
        ),
        recoat=RecoatTable(TEMPS_C, column("recoat_from_min", 60.0), column("recoat_to_min", 60.0)),
    )


RATES = cure_rates(chart_card(), 1.5)


def printed(rates: CureRates) -> dict[str, tuple[Pace, tuple[float, ...]]]:
    paces = dict(rates.stages)
    assert rates.opens is not None
    assert rates.closes is not None
    return {
        "gel": (paces[Stage.GEL], column("gel_min", 60.0)),
        "tack-free": (paces[Stage.TACK_FREE], column("dry_h")),
        "sandable": (paces[Stage.SANDABLE], column("shore_d65_h")),
        "full": (paces[Stage.FULL], column("shore_d75_h")),
        "recoat from": (rates.opens, column("recoat_from_min", 60.0)),
        "recoat to": (rates.closes, column("recoat_to_min", 60.0)),
    }


@pytest.mark.parametrize("what", ["gel", "tack-free", "sandable", "full", "recoat from", "recoat to"])
def test_constant_temperature_takes_the_charts_own_time(what: str) -> None:
    """Every row of the chart, through the course and the sum, in between its band."""
    pace, times_h = printed(RATES)[what]
    for temp_c, printed_h in zip(TEMPS_C, times_h, strict=True):
        steady = course([0.0, 2.0 * printed_h], [temp_c, temp_c])
        assert reached_h(steady, pace.likely)[0] == pytest.approx(printed_h, rel=1e-6)
        assert float(reached_h(steady, pace.quick)[0]) < printed_h < float(reached_h(steady, pace.slow)[0])


def test_stages_stand_in_their_order_whatever_the_cards() -> None:
    assert [stage for stage, _ in RATES.stages] == [
        Stage.GEL,
        Stage.TACK_FREE,
        Stage.SANDABLE,
        Stage.FULL,
    ]


def test_the_floor_is_the_colder_of_the_application_and_the_table() -> None:
    """Under both nothing is counted on; between them it is, and only the quick end runs on below."""
    for temp_min_c, floor_c in ((15.0, TEMPS_C[0]), (2.0, 2.0)):
        card = chart_card()
        card = replace(card, application=replace(card.application, temp_min_c=temp_min_c))
        pace = cure_rates(card, 1.5).stages[-1][1]
        assert pace.floor_c == pytest.approx(floor_c)
        assert pace.sheet_min_c == pytest.approx(TEMPS_C[0])
        assert np.isfinite(pace.likely.hours(floor_c))
        assert np.isinf(pace.likely.hours(floor_c - 2.0))
        assert np.isinf(pace.slow.hours(floor_c - 2.0))
        assert np.isfinite(pace.quick.hours(floor_c - 2.0))


def test_a_learned_gel_surface_moves_gel_alone() -> None:
    card = chart_card()
    quicker = replace(
        card, gel=tuple(GelCell(c.temp_c, c.catalyst_pct, c.low_min / 2, c.high_min / 2) for c in card.gel)
    )
    rates = cure_rates(card, 1.5, gel_surface(quicker))
    assert rates.stages[0][1].likely.hours(20.0) == pytest.approx(
        0.5 * float(RATES.stages[0][1].likely.hours(20.0)), rel=1e-3
    )
    assert rates.stages[1][1].likely.hours(20.0) == pytest.approx(
        float(RATES.stages[1][1].likely.hours(20.0))
    )


def test_a_card_without_a_recoat_table_has_no_window() -> None:
    rates = cure_rates(replace(chart_card(), recoat=None), 1.5)
    assert rates.opens is None
    assert rates.closes is None
