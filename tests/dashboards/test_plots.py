"""Pictures for `--plot`: the same bytes from the same values, and a refusal before the work."""

from pathlib import Path

import numpy as np
import pytest

from collector.errors import InputError
from dashboards.cure_panels import CurePicture, cure_panels
from dashboards.panels import ahead_panels, gel_panels, hindcast_panels, windows_panels
from dashboards.plots import check_plot, draw_plot
from dashboards.record.measured import Course
from dashboards.view import Reader
from forecast.card import Stage
from forecast.card_files import find_card
from forecast.outlook import Band
from forecast.window import Thresholds
from tests.forecast.curing import a_card, after
from tests.forecast.test_outlook_json import LIMITS, a_cure
from tests.forecast.test_window import between, forecast, one


def test_the_same_values_give_the_same_bytes(tmp_path: Path) -> None:
    panels = gel_panels(find_card("generic-vinyl-ester", ()), Reader())
    files = [tmp_path / "a.png", tmp_path / "b.png"]
    for file in files:
        draw_plot(panels, file)
    assert files[0].read_bytes() == files[1].read_bytes()
    assert files[0].read_bytes().startswith(b"\x89PNG")


def test_a_gel_picture_goes_through_the_cells_of_its_sheet() -> None:
    """Single cells come back exactly; ranges (here) by their middle in ln, within 2 %: the band is wider."""
    card = find_card("generic-vinyl-ester", ())
    (panel,) = gel_panels(card, Reader())["panels"]
    lines = {line["name"]: line for line in panel["lines"]}
    for cell in card.gel:
        line = lines[f"{cell.catalyst_pct:g} %"]
        likely = float(np.interp(cell.temp_c, line["x"], line["likely"]))
        assert likely == pytest.approx((cell.low_min * cell.high_min) ** 0.5, rel=0.02)


def test_ahead_has_a_panel_of_each_kind_for_each_bay() -> None:
    panels = ahead_panels(forecast(), ["keel"], LIMITS, Reader(units="us"))["panels"]
    titles = [panel["title"] for panel in panels]
    assert titles == [
        "keel: temperature, °F; in the band 8 times in 10",
        "keel: humidity, %; in the band 8 times in 10",
    ]


def test_windows_are_drawn_with_the_odds_of_each_start(tmp_path: Path) -> None:
    """Humid until nine and after: of a job of four hours only starts from 33 h to 38 h hold."""
    found = one(forecast({"humidity_pct": between(33, 42, 60.0, 80.0)}))
    panels = windows_panels([found], Thresholds(), Reader())
    (line,) = panels["panels"][0]["lines"]
    odds = dict(zip(line["x"], line["likely"], strict=True))
    assert {round(hours) for hours, pct in odds.items() if pct > 50.0} <= set(range(32, 40))
    draw_plot(panels, tmp_path / "w.png")
    assert (tmp_path / "w.png").stat().st_size > 5000


def test_a_cure_is_drawn_with_its_stages_where_they_were_and_where_they_are_expected(tmp_path: Path) -> None:
    """Hours count from laying; a stage to come has its 10 to 90 % bar, one that may not come stays open."""
    cure = a_cure()
    course = Course("part_c", np.array([0.0, 1.0, 2.9]), np.array([20.0, 20.5, 20.0]))
    ahead = Band("part_c", after(3.5), 1800.0, (9.0,) * 30, (10.0,) * 30, (11.0,) * 30)
    panels = cure_panels(CurePicture(cure, [course], a_card().application, ahead, after(3.0)), Reader())
    warmth, stages = panels["panels"]
    assert [line["name"] for line in warmth["lines"]] == ["part", "part ahead, 8 times in 10"]
    assert [value for value, _ in warmth["limits"]] == [15.0, 30.0]  # the made-up card's
    rows = {row["name"]: row for row in stages["rows"]}
    assert cure.state is not None
    gel = next(one for one in cure.state.stages if one.stage is Stage.GEL)
    assert gel.reached_at is not None
    assert rows["gel"]["reached"]
    assert after(rows["gel"]["x"]) == gel.reached_at
    sandable = rows["sandable"]
    assert (sandable["low"], sandable["x"], sandable["open"]) == (4.0, 5.0, True)
    assert max(warmth["lines"][1]["x"]) <= sandable["high"]
    assert [x for x, _ in stages["moments"]] == [3.0, 11.5]
    files = [tmp_path / "a.png", tmp_path / "b.png"]
    for file in files:
        draw_plot(panels, file)
    assert files[0].read_bytes() == files[1].read_bytes()


def test_a_hole_in_the_readings_is_a_hole_in_the_picture() -> None:
    course = Course("part_c", np.array([0.0, 0.5, 2.5]), np.array([20.0, 20.5, 20.0]))
    picture = CurePicture(a_cure(), [course], a_card().application, None, after(3.0))
    line = cure_panels(picture, Reader())["panels"][0]["lines"][0]
    assert np.isnan(line["likely"]).tolist() == [False, False, True, False, True]


def test_decisions_are_drawn_against_what_held() -> None:
    tenths = [{"odds": 0.1, "held": 0.2, "n": 7}, {"odds": 0.9, "held": 0.8, "n": 3}]
    found = {"windows": {"keel": {"n": 10, "reliability": tenths}, "sheer": {"n": 0}}}
    (panel,) = hindcast_panels(found)["panels"]
    held, said = panel["lines"]
    assert (held["x"], held["likely"]) == ([10.0, 90.0], [20.0, 80.0])
    assert said["x"] == said["likely"]


@pytest.mark.parametrize(("name", "said"), [("a.jpg", "ends in .png"), ("no/a.png", "there is no folder")])
def test_a_picture_that_cannot_be_is_refused_at_once(tmp_path: Path, name: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        check_plot(tmp_path / name)
