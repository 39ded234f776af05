"""Every live cure from what the store holds."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from collector.domain import Flag, Reading
from collector.store.memory import MemoryStore
from forecast.card import Family, GelCell, Stage, StageTable
from forecast.cautions import Trouble
from forecast.cure_state import CureState, Seen
from forecast.resin import PotGel
from forecast.tonight import Laid, gel_pots, tonight
from tests.forecast.curing import LAID_AT, a_card, after

CARD = replace(
    a_card(),
    gel=(GelCell(15.0, 1.5, 60.0, 60.0), GelCell(25.0, 1.5, 30.0, 30.0)),
    stages=(
        StageTable(Stage.SANDABLE, (15.0, 25.0), (20.0, 8.0)),
        StageTable(Stage.TACK_FREE, (15.0, 25.0), (5.0, 2.5)),
    ),
)
LAID = Laid("k1", "keel", "hull", CARD, 1.5, LAID_AT)


def store_with(**series: Sequence[tuple[float, float]]) -> MemoryStore:
    """Return a store with readings of keel: quantity to (hours after laying, value)."""
    store = MemoryStore()
    for name, points in series.items():
        store.add([Reading(f"keel.{name}", after(h), value, after(h)) for h, value in points])
    return store


def flat(value: float, begin_h: float = -1.0, end_h: float = 12.0) -> list[tuple[float, float]]:
    return [(float(h), value) for h in np.arange(begin_h, end_h + 1e-9, 0.25)]


def one(laid: Laid, store: MemoryStore, at: datetime, **pots: list[PotGel]) -> CureState:
    (found,) = tonight([laid], store, at, pots)
    assert found.laid is laid
    assert found.state is not None
    return found.state


def test_a_cure_at_a_rows_temperature_takes_the_sheets_hours() -> None:
    state = one(LAID, store_with(part_c=flat(25.0)), after(9.0))
    assert [s.stage for s in state.stages] == [Stage.GEL, Stage.TACK_FREE, Stage.SANDABLE]
    assert state.stage is Stage.SANDABLE
    for stage, hours in zip(state.stages, (0.5, 2.5, 8.0), strict=True):
        assert stage.reached_at is not None
        # half a per cent: what the surface leaves of a printed number
        assert (stage.reached_at - LAID_AT) / timedelta(hours=1) == pytest.approx(hours, rel=5e-3)


def test_only_what_was_measured_and_seen_by_the_moment_counts() -> None:
    """Asked about three hours after laying, neither later heat nor a later mark is known."""
    store = store_with(part_c=[*flat(15.0, -1.0, 3.0), *flat(40.0, 3.25, 12.0)])
    laid = replace(LAID, seen=Seen({Stage.SANDABLE: after(8.0)}, next_ply_at=after(9.0), dew_at=after(5.0)))
    state = one(laid, store, after(3.0))
    assert state == one(LAID, store_with(part_c=flat(15.0, -1.0, 3.0)), after(3.0))
    assert state.at == after(3.0)


def test_no_reading_at_all_is_no_news() -> None:
    (found,) = tonight([LAID], store_with(humidity_pct=flat(60.0)), after(3.0))
    assert found.state is None


def test_air_stands_in_for_a_part_without_a_probe_and_is_said() -> None:
    state = one(LAID, store_with(air_c=flat(20.0)), after(3.0))
    assert state.cautions[0].trouble is Trouble.AIR_ONLY
    assert state.warmth.now_c == 20.0


def test_suspect_readings_are_holes() -> None:
    """A probe stuck for six hours gives an interval, not its number."""
    good = [r for r in flat(20.0) if not 2.0 < r[0] < 8.0]
    store = store_with(part_c=good)
    store.add(
        [
            Reading("keel.part_c", after(h), 20.0, after(h), Flag.STUCK)
            for h in np.arange(2.25, 8.0, 0.25).tolist()
        ]
    )
    state = one(LAID, store, after(9.0))
    assert state.gap_h == pytest.approx(6.0)
    assert state.cautions[0].trouble is Trouble.NO_READINGS


def test_the_pots_own_warmth_counts_until_the_batch_is_laid() -> None:
    """Mixed a quarter of an hour before, at 25 °C: half of a gel time of half an hour is gone."""
    mixed = replace(LAID, mixed_at=after(-0.25), resin_c=25.0)
    state = one(mixed, store_with(part_c=flat(15.0)), after(0.5))
    gel = state.stages[0]
    assert gel.progress == pytest.approx(0.25 / 0.5 + 0.5 / 1.0, rel=5e-3)
    assert state.began_at == after(-0.25)
    # without the resin's temperature the part's own has to do
    unknown = one(replace(mixed, resin_c=None), store_with(part_c=flat(15.0)), after(0.5))
    assert unknown.stages[0].progress == pytest.approx(0.75, rel=5e-3)


def test_a_cure_entered_this_instant_has_a_state() -> None:
    assert one(LAID, store_with(part_c=flat(20.0, -1.0, 0.0)), LAID_AT).stage is None


def test_blush_is_judged_from_the_bays_air() -> None:
    card = replace(CARD, family=Family.EPOXY)
    store = store_with(part_c=flat(13.0), air_c=flat(14.0), humidity_pct=flat(85.0))
    state = one(replace(LAID, card=card), store, after(2.0))
    blush = next(c for c in state.cautions if c.trouble is Trouble.BLUSH)
    assert blush.span_h == pytest.approx(2.0)


def test_a_gel_seen_teaches_its_lot() -> None:
    """Five gels at four fifths of the sheet's time: the next batch of that lot is expected sooner."""
    seen = Seen({Stage.GEL: after(0.4)})
    store = store_with(part_c=flat(25.0))
    pots = gel_pots([replace(LAID, lot="A7", seen=seen)] * 5, store)
    assert set(pots) == {CARD.key}
    for pot in pots[CARD.key]:
        assert pot.lot == "A7"
        assert pot.time_min == pytest.approx(24.0)
        assert pot.temp_c == pytest.approx(25.0, abs=0.05)
    plain = one(replace(LAID, lot="A7"), store, after(0.3)).stages[0].progress
    taught = one(replace(LAID, lot="A7"), store, after(0.3), test=pots[CARD.key]).stages[0].progress
    assert plain < taught <= plain / 0.8 + 1e-6


def test_a_warming_part_teaches_at_the_temperature_that_does_as_much() -> None:
    """From 15 to 25 °C through the gel: rather warmer than the middle, since warm minutes count more."""
    store = store_with(part_c=[(-1.0, 15.0), (0.0, 15.0), (0.75, 25.0), (1.0, 25.0)])
    (pot,) = gel_pots([replace(LAID, seen=Seen({Stage.GEL: after(0.75)}))], store)[CARD.key]
    assert 20.0 < pot.temp_c < 21.0


@pytest.mark.parametrize(
    ("gel_h", "points"),
    [
        (0.02, flat(25.0)),  # gelled in a minute: a slip
        (3.0, [(0.0, 20.0), (3.0, 20.0)]),  # readings missing
        (0.5, []),  # no probe
        (-0.5, flat(25.0)),  # before it was laid
    ],
)
def test_a_gel_that_cannot_be_trusted_teaches_nothing(
    gel_h: float, points: list[tuple[float, float]]
) -> None:
    seen = Seen({Stage.GEL: after(gel_h)})
    assert gel_pots([replace(LAID, seen=seen), LAID], store_with(part_c=points)) == {}
