"""When each step may be taken, in exact words."""

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from collector.errors import InputError
from dashboards.cure_steps import cold_words, gel_lines, step_lines, step_of
from dashboards.cures import read_book, stand
from dashboards.view import Reader
from forecast.cure_outlook import CureOutlook
from forecast.tonight_ahead import cure_outlook
from tests.dashboards.watching import Scene, watched

STEADY = Scene(
    keel_c=20.0, swing_k=0.0
)  # a row of the card: tack-free 2.5 h, recoat 1.5 to 48 h, sandable 12 h


def cure(folder: Path, cure_h: float, scene: Scene = STEADY) -> CureOutlook:
    """Return a cure on a part of steady warmth, so long after it was laid; without a forecast."""
    session = watched(folder, scene, cure_h=cure_h)
    book = read_book(session)
    stands, _ = stand(session, book, list(book.live), session.clock.now())
    return cure_outlook(stands[0], None)


def said(found: CureOutlook, step: str) -> str:
    (line,) = step_lines(found, Reader(), step)
    return line


def test_before_the_recoat_window_the_next_ply_waits(tmp_path: Path) -> None:
    """Laid at 18:04; the card gives 1.5 h and 48 h at 20 °C."""
    words = said(cure(tmp_path, 1.0), "next ply")
    waits, _, bonds = words.partition("; ")
    assert re.fullmatch(r"Next ply: WAIT until about 19:3[34]( \(.*\))?", waits)
    assert re.fullmatch(r"then it bonds as it is until about Sat 18:0[34]( \(.*\))?\.", bonds)


def test_in_the_recoat_window_it_bonds(tmp_path: Path) -> None:
    assert said(cure(tmp_path, 6.0), "next ply").startswith(
        "Next ply: BOND: it takes the next ply as it is until "
    )


def test_after_the_recoat_window_it_is_sanded(tmp_path: Path) -> None:
    found = cure(tmp_path, 12.0)
    assert found.state is not None
    assert found.state.closes is not None
    past = found.state.at - timedelta(hours=1)
    shut = replace(found.state.closes, earliest_at=past, likely_at=past, latest_at=past)
    closed = replace(found, state=replace(found.state, closes=shut))
    assert said(closed, "next ply") == (
        "Next ply: SAND: the recoat window has shut; mask on, grind till no gloss is left, clear the dust, "
        "then lay."
    )
    late = replace(shut, latest_at=None)
    doubtful = replace(found, state=replace(found.state, closes=late))
    assert "may have shut" in said(doubtful, "next ply")


def test_grinding_waits_for_sandable(tmp_path: Path) -> None:
    assert said(cure(tmp_path, 6.0), "grind").startswith("Grind: not yet; from about Fri 01:")


def test_grinding_is_allowed_with_its_care(tmp_path: Path) -> None:
    words = said(cure(tmp_path, 14.0), "grind")
    assert re.fullmatch(r"Grind: yes, sandable since 17:0[34]; mask on, no flame near the dust\.", words)


def test_without_news_nothing_is_allowed(tmp_path: Path) -> None:
    silent = replace(cure(tmp_path, 6.0), state=None)
    assert step_lines(silent, Reader()) == [
        "No news from its bay: nobody can say from here. Look at it, and see 'layday check'."
    ]


def test_cold_alone_ruins_nothing_that_has_set(tmp_path: Path) -> None:
    state = cure(tmp_path, 6.0).state
    assert state is not None
    assert cold_words(state) == ""
    assert cold_words(replace(state, stalled_h=4.0)).startswith(
        "Is it ruined? Not by 4 h of cold alone: it set"
    )
    wet = cold_words(replace(state, stalled_h=4.0, stage=None))
    assert wet.startswith("Is it ruined? Cold caught it wet, for 4 h: warm it now, no flame near.")


def test_after_gel_the_pot_comes_first(tmp_path: Path) -> None:
    first, tools, *steps = gel_lines(cure(tmp_path, 1.0), Reader())
    assert "out of the shed" in first
    assert "away from any flame" in tools
    assert [line.partition(":")[0] for line in steps] == ["Next ply", "Grind", "Off the mould"]


@pytest.mark.parametrize(("word", "step"), [("ply", "next ply"), ("bond", "next ply"), ("sand", "grind")])
def test_a_step_has_the_names_that_people_use(word: str, step: str) -> None:
    assert step_of(word) == step


def test_what_is_no_step_is_refused() -> None:
    with pytest.raises(InputError, match="ask for ply, grind or mould"):
        step_of("paint")
