"""Cures in words, lines and JSON."""

import json
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from rich.console import Console

from dashboards.cure_view import caution_words, cure_json, cure_sentence, hours_words
from dashboards.terminal.render.tonight import tonight_text
from dashboards.view import Reader
from forecast.card import Stage
from forecast.cautions import Caution, Trouble
from forecast.cure_now import cure_now
from forecast.cure_outlook import CureOutlook, Remedy, Rescue
from forecast.cure_state import CureState, Seen
from forecast.history import history
from forecast.tonight import CureTonight, Laid
from forecast.tonight_ahead import cure_outlook
from tests.forecast.curing import LAID_AT, a_card, after, some_rates

DUBLIN = Reader(ZoneInfo("Europe/Dublin"))
LAID = Laid("k1", "keel", "hull", a_card(), 1.5, LAID_AT, lot="A7")


def found(temp_c: float, hours: float, seen: Seen | None = None) -> CureOutlook:
    """Return a cure that was at one temperature since it was laid at 20:30 Irish time."""
    times = np.linspace(0.0, hours, 40)
    part = history(times, np.full(40, temp_c), (0.0, hours))
    return without_forecast(LAID, cure_now(some_rates(), part, LAID_AT, seen))


def without_forecast(laid: Laid, state: CureState | None) -> CureOutlook:
    return cure_outlook(CureTonight(laid, state, some_rates()), None)


def printed(cures: list[CureOutlook], hours: float, reader: Reader = DUBLIN, width: int = 100) -> list[str]:
    console = Console(width=width, highlight=False, color_system=None)
    with console.capture() as capture:
        console.print(tonight_text("yard", cures, after(hours), reader, width))
    return [line.rstrip() for line in capture.get().splitlines()]


def test_who_is_told_to_warm_a_cure_is_told_what_can_hurt() -> None:
    on_its_way = found(18.0, 5.0)
    assert not any("carbon monoxide" in line for line in printed([on_its_way], 5.0, width=300))
    cold = replace(on_its_way, rescues=(Rescue(Remedy.WARM, after(6.0), 3.0, 4.0, 20.0, 0.9),))
    last = printed([cold], 5.0, width=300)[-1]
    assert "no flame or glowing wire under it" in last
    assert "carbon monoxide alarm" in last
    assert last.endswith("the resin maker's data sheet and local rules decide")


def test_a_cure_on_its_way_says_where_it_is_and_what_it_takes() -> None:
    assert printed([found(18.0, 5.0, Seen({Stage.GEL: after(0.75)}))], 5.0) == [
        "yard  Fri 03 Apr 01:30",
        "",
        "k1  hull, keel: tack-free, on the way to sandable",
        "  test resin, 1.5 %, lot A7, laid Thu 20:30, 5 h ago",
        "  On track.",
        "  No forecast: the hours ahead are reckoned at the warmth of the last ones.",
        "  gel        100 % Thu 21:15 seen",
        "  tack-free  100 % 00:44",
        "  sandable    39 % about 09:13 (06:40 to 13:20)",
        "  full         5 % about Mon 19:54 (Mon 00:49 to Wed 02:50)",
        "  7.7 h at 18.0 °C or 4.9 h at 23.0 °C would bring it to sandable.",
        "  Recoat window from Thu 23:19 (Thu 22:45 to 00:02) to about Sat 06:29 (23:41 to Sat 14:59).",
        "  Part 18.0 °C now, 18.0 °C over the last 3 h.",
        "  Coldest hour 18.0 °C from Thu 20:30, warmest 18.0 °C from Thu 20:30.",
        "  65.0 °C·h over 5.0 °C; 3.1 equivalent hours at 23.0 °C (by its full times).",
        "  Softens above about 29.0 °C at best.",
    ]


def test_a_stalled_cure_promises_nothing_at_its_own_warmth() -> None:
    lines = printed([found(9.0, 4.0)], 4.0)
    assert lines[2] == "k1  hull, keel: wet, STALLED before gel"
    assert "  gel          0 % not at 9.0 °C" in lines
    assert any(
        line.startswith("  ! 4 h below 12.0 °C, the coldest its data sheet answers for") for line in lines
    )
    assert "  30 min at 23.0 °C would bring it to gel." in lines


def test_no_news_comes_first_and_says_what_to_do() -> None:
    silent = without_forecast(replace(LAID, key="s1", bay="sheer"), None)
    lines = printed([found(23.0, 9.0), found(6.0, 9.0), silent], 9.0)
    heads = [line for line in lines if line[:2] in {"k1", "s1"}]
    assert heads == [
        "s1  hull, sheer: NO NEWS: nothing was measured in its bay",
        "k1  hull, keel: wet, STALLED before gel",
        "k1  hull, keel: sandable, on the way to full",
    ]
    assert lines[4] == "  Check the bay's sensors: 'layday check' says more."


def test_a_sensor_that_fell_silent_is_no_news_and_nothing_is_promised() -> None:
    """Seven hours without a word: tack-free was seen to, sandable may or may not be."""
    part = history([0.0, 1.0, 2.0, 3.0, 4.0], [23.0] * 5, (0.0, 11.0))
    silent = without_forecast(LAID, cure_now(some_rates(), part, LAID_AT))
    lines = printed([found(6.0, 11.0), silent], 11.0)
    assert lines[2] == "k1  hull, keel: NO NEWS for 7 h; it was tack-free"
    assert lines[4] == "  Check the bay's sensors: 'layday check' says more."
    assert "  sandable    40 % not known" in lines
    assert "  Part 23.0 °C when last heard." in lines
    text = "\n".join(lines[: lines.index("", 2)])
    assert "would bring it" not in text
    assert "about" not in text.replace("Softens above about", "")
    answer = cure_json(silent, DUBLIN)
    assert (answer["news"], answer["silent_h"]) == (False, 7.0)


def test_without_cures_it_says_how_to_begin_one() -> None:
    assert "layday cure start" in printed([], 0.0)[-1]


@pytest.mark.parametrize("width", [30, 46, 60, 100, 200])
def test_every_line_fits_the_terminal(width: int) -> None:
    reader = Reader(ZoneInfo("America/St_Johns"), "us")
    for line in printed([found(18.0, 5.0), found(9.0, 50.0)], 50.0, reader, width):
        assert len(line) <= width


def test_a_share_is_rounded_down_so_that_all_means_all() -> None:
    """At 99.9 % it is not done."""
    assert "  sandable    99 % about 04:30 (02:54 to 06:30)" in printed([found(23.0, 7.992)], 7.992)


def test_every_trouble_has_words() -> None:
    for trouble in Trouble:
        words = caution_words(Caution(trouble, 12.0, 3.0, 0.8, 0.1), DUBLIN)
        assert words
        assert not words.endswith(".")


def test_words_follow_the_readers_units() -> None:
    caution = Caution(Trouble.STALLED, temp_c=12.0, span_h=3.5)
    assert caution_words(caution, Reader(units="us")).startswith("3.5 h below 53.6 °F")


def test_spans_are_said_as_people_say_them() -> None:
    said = [hours_words(h) for h in (0.1, 0.999, 1.0, 9.94, 9.96, 71.0, 80.0)]
    assert said == ["6 min", "60 min", "1 h", "9.9 h", "10 h", "71 h", "3 days"]


def test_json_holds_each_stages_progress_and_hours() -> None:
    """Numbers stay in °C and hours, times are UTC."""
    answer = json.loads(json.dumps(cure_json(found(23.0, 9.0), Reader(units="us"))))
    assert answer["schema"] == "layday/cure/1"
    assert (answer["id"], answer["percent"], answer["stage"]) == ("k1", 1.5, "sandable")
    gel, _, sandable, full = answer["stages"]
    assert gel["reached_at"] == "2026-04-02T20:00:00Z"
    assert sandable["progress"] == 1.0
    assert sandable["degree_hours"] == pytest.approx(8.0 * 18.0)
    assert sandable["equivalent_hours"] == pytest.approx(8.0)
    assert full["reached_at"] is None
    assert full["progress"] == pytest.approx(9.0 / 60.0)
    assert full["when"]["likely_at"] == "2026-04-05T07:30:00Z"


def test_json_without_news_says_so() -> None:
    answer = cure_json(without_forecast(LAID, None), DUBLIN)
    assert answer["news"] is False
    assert "stages" not in answer


def test_a_plain_sentence_has_it_all() -> None:
    assert cure_sentence(found(9.0, 4.0), DUBLIN) == (
        "k1 (hull, keel): wet, STALLED before gel; 30 min at 23.0 °C would bring it to gel; "
        "4 h below 12.0 °C, the coldest its data sheet answers for: little or none of that counts; "
        "warm the part; Barely on track; To do: bring the part to 12 °C; an hour below that "
        "counts little or nothing; No forecast: the hours ahead are reckoned at the warmth of the last "
        "ones."
    )
    assert cure_sentence(found(23.0, 9.0), DUBLIN) == (
        "k1 (hull, keel): sandable, on the way to full; 51 h at 23.0 °C would bring it to full; On track; "
        "No forecast: the hours ahead are reckoned at the warmth of the last ones."
    )
