"""The cards that come with layday: of no maker, and true to common practice (which has no source)."""

import pytest

from forecast.card import Family, Stage
from forecast.card_check import check_card
from forecast.card_files import SHIPPED, card_keys, find_card
from forecast.resin import gel_surface, stage_surface

KEYS = ("generic-epoxy-fast", "generic-epoxy-slow", "generic-polyester", "generic-vinyl-ester")
MIN_PER_H = 60.0


def test_the_shipped_cards() -> None:
    assert card_keys() == KEYS
    families = [find_card(key).family for key in KEYS]
    assert families == [Family.EPOXY, Family.EPOXY, Family.POLYESTER, Family.VINYL_ESTER]


@pytest.mark.parametrize("key", KEYS)
def test_a_shipped_card_says_that_it_is_generic_in_name_file_and_every_source(key: str) -> None:
    card = find_card(key)
    assert card.generic
    assert key.startswith("generic-")
    assert card.name.startswith("Generic ")
    assert len(card.sources) >= 20
    assert all("generic" in source for source in card.sources.values())
    assert (SHIPPED / f"{key}.toml").read_text(encoding="utf-8").startswith("# GENERIC, of no maker")


@pytest.mark.parametrize("key", KEYS)
def test_there_is_nothing_to_remark_on_a_shipped_card(key: str) -> None:
    assert check_card(find_card(key)) == []


def test_an_overheated_shed_shortens_a_vinyl_esters_work_time() -> None:
    """At 1.75 % planned for 30 to 45 min, 6 to 9 °C too hot gives 20 to 25: common practice, no source."""
    surface = gel_surface(find_card("generic-vinyl-ester"))
    planned = surface.likely_min(18.0, 1.75)
    assert 30.0 <= planned <= 45.0
    for overshoot_k in (6.0, 7.5, 9.0):
        assert 19.5 <= surface.likely_min(18.0 + overshoot_k, 1.75) <= 25.0


def test_thickened_filler_left_half_an_hour_with_local_heat_is_past_gel() -> None:
    """Local heat brings the part to 30 °C and more: common practice, no source."""
    for key in ("generic-vinyl-ester", "generic-polyester"):
        card = find_card(key)
        assert gel_surface(card).minutes(30.0, 1.75).high_min < 30.0


def test_a_part_at_57_f_is_too_cold_to_laminate_with_a_peroxide() -> None:
    """57 °F is 13.9 °C: common practice, no source."""
    for key in ("generic-vinyl-ester", "generic-polyester", "generic-epoxy-slow"):
        card = find_card(key)
        assert card.application.temp_min_c > 13.9
        assert gel_surface(card).minutes(13.9, card.catalyst_max_pct).outside


@pytest.mark.parametrize("key", KEYS)
def test_a_joint_left_a_day_at_tent_temperature_can_be_ground(key: str) -> None:
    """24 h at 16 to 18 °C are past the sandable stage: common practice, no source."""
    table = next(table for table in find_card(key).stages if table.stage is Stage.SANDABLE)
    assert stage_surface(table).likely_min(16.0) / MIN_PER_H < 24.0
