"""Pictures for `--plot`: the same bytes from the same values, and a refusal before the work."""

from pathlib import Path

import numpy as np
import pytest

from collector.errors import InputError
from dashboards.panels import ahead_panels, gel_panels, windows_panels
from dashboards.plots import check_plot, draw_plot
from dashboards.view import Reader
from forecast.card_files import find_card
from tests.forecast.test_window import between, forecast, one


def test_the_same_values_give_the_same_bytes(tmp_path: Path) -> None:
    panels = gel_panels(find_card("generic-vinyl-ester", ()), Reader())
    files = [tmp_path / "a.png", tmp_path / "b.png"]
    for file in files:
        draw_plot("dashboards.panel_picture", panels, file)
    assert files[0].read_bytes() == files[1].read_bytes()
    assert files[0].read_bytes().startswith(b"\x89PNG")


def test_a_gel_picture_goes_through_the_cells_of_its_sheet() -> None:
    """Single cells come back exactly; ranges (here) by their middle in ln, within 2 %: the band is wider."""
    card = find_card("generic-vinyl-ester", ())
    (panel,) = gel_panels(card, Reader())["panels"]
    lines = {line["name"]: line for line in panel["lines"]}
    for cell in card.gel:
        line = lines[f"{cell.catalyst_pct:g} % {card.hardener.kind}"]
        likely = float(np.interp(cell.temp_c, line["x"], line["likely"]))
        assert likely == pytest.approx((cell.low_min * cell.high_min) ** 0.5, rel=0.02)


def test_ahead_has_a_panel_of_each_kind_for_each_bay() -> None:
    panels = ahead_panels(forecast(), ["keel"], Reader(units="us"))["panels"]
    titles = [panel["title"] for panel in panels]
    assert titles == ["keel: temperature, °F", "keel: humidity, %"]


def test_windows_are_drawn_with_the_odds_of_each_start(tmp_path: Path) -> None:
    """Humid until nine and after: of a job of four hours only starts from 33 h to 38 h hold."""
    found = one(forecast({"humidity_pct": between(33, 42, 60.0, 80.0)}))
    panels = windows_panels([found], Reader())
    (line,) = panels["panels"][0]["lines"]
    odds = dict(zip(line["x"], line["likely"], strict=True))
    assert {round(hours) for hours, pct in odds.items() if pct > 50.0} <= set(range(32, 40))
    draw_plot("dashboards.panel_picture", panels, tmp_path / "w.png")
    assert (tmp_path / "w.png").stat().st_size > 5000


@pytest.mark.parametrize(("name", "said"), [("a.jpg", "ends in .png"), ("no/a.png", "there is no folder")])
def test_a_picture_that_cannot_be_is_refused_at_once(tmp_path: Path, name: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        check_plot(tmp_path / name)
