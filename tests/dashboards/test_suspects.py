"""A suspect sensor: no verdict, and in words which it is, why, and what to do."""

from datetime import UTC, datetime, timedelta

import pytest

from collector.domain import QUANTITIES, Flag, Reading, Sensor
from collector.quality import Judge
from collector.store.memory import MemoryStore
from dashboards.health import examine
from dashboards.suspect_words import suspect_words, to_do_words
from dashboards.terminal.render.check import check_text
from dashboards.terminal.render.now import now_text
from dashboards.view import Reader, bay_sentence
from forecast.shed_now import ShedNow, shed_now
from forecast.verdict import Limits, Verdict

NOW = datetime(2026, 4, 3, 3, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
LIMITS = Limits(16, 30, 16, 30, 75, 3, 900)
SENSORS = {
    name: Sensor("keel", QUANTITIES[name.partition(".")[2]])
    for name in ("keel.air_c", "keel.humidity_pct", "keel.part_c")
}
GOOD = {"keel.air_c": 20.0, "keel.humidity_pct": 55.0, "keel.part_c": 19.5}
READER = Reader()


def shed(odd: str, values: list[float], skew: timedelta = timedelta(0)) -> MemoryStore:
    """Return a store with an hour of good readings, and one sensor that said `values` last."""
    store, judge = MemoryStore(), Judge()
    for i in range(60, 0, -1):
        at = NOW - i * MINUTE
        batch = []
        for name, good in GOOD.items():
            own = values[-i] if name == odd and i <= len(values) else good + 0.01 * (i % 3)
            ahead = skew if name == odd else timedelta(0)
            batch.append(Reading(name, at + ahead, own, at + timedelta(seconds=1)))
        store.add(judge.judge(batch))
    return store


def now_of(store: MemoryStore) -> ShedNow:
    return shed_now(store, "tunnel", SENSORS, LIMITS, NOW)


def check_of(store: MemoryStore) -> str:
    return check_text(examine(store, SENSORS, 900, NOW), READER, 200).plain


def test_a_shed_in_order_is_fit() -> None:
    assert now_of(shed("", [])).verdict is Verdict.GO


def test_a_wet_sensor_gives_no_news_in_words() -> None:
    store = shed("keel.humidity_pct", [99.8] + [100.0] * 40)
    now = now_of(store)
    assert now.verdict is Verdict.NO_NEWS
    sentence = bay_sentence(now.bays[0], READER)
    assert sentence.startswith(
        "keel: no news, cannot tell: humidity sensor has stood at 100 % for 40 min: it is probably wet"
    )
    assert (
        "What to do: dry it, or read another; if the air itself is that wet"
        in now_text(now, READER, 120).plain
    )
    assert "! keel.humidity_pct has stood at 100 % for 40 min: it is probably wet. What to do: dry it" in (
        check_of(store)
    )


def test_a_probe_at_power_on_gives_no_news() -> None:
    store = shed("keel.part_c", [85.0])
    assert now_of(store).verdict is Verdict.NO_NEWS
    assert "! keel.part_c says 85 °C, as a probe does that has just got power." in check_of(store)


@pytest.mark.parametrize(("hours", "words"), [(2, "ahead"), (-2, "behind")])
def test_a_clock_that_is_hours_off_is_told_as_that_and_not_as_silence(hours: int, words: str) -> None:
    store = shed("keel.air_c", [], timedelta(hours=hours))
    now = now_of(store)
    assert now.verdict is Verdict.NO_NEWS
    assert "clock" in bay_sentence(now.bays[0], READER)
    assert "silent" not in bay_sentence(now.bays[0], READER)
    assert f"keel.air_c: clock up to {2 * 3600 + (1 if hours < 0 else -1)} s {words}; set it" in check_of(
        store
    )


def test_the_past_is_told_without_what_came_later() -> None:
    """A clock that ran ahead later on does not make the sensor suspect before."""
    store = shed("keel.air_c", [20.0] * 10, timedelta(0))
    later = NOW + timedelta(hours=1)
    store.add([Reading("keel.air_c", later + timedelta(hours=2), 20.0, later, Flag.CLOCK_OFF)])
    assert now_of(store).verdict is Verdict.GO


@pytest.mark.parametrize("flag", [flag for flag in Flag if flag])
def test_every_flag_has_its_words_and_something_to_do(flag: Flag) -> None:
    assert "cannot be trusted" not in suspect_words("keel.air_c", "20.0 °C", flag)
    assert to_do_words(flag)


def test_a_doubt_without_a_name_is_told_all_the_same() -> None:
    assert suspect_words("air sensor", "20.0 °C", 0) == "air sensor reads 20.0 °C, which cannot be trusted"
    assert to_do_words(0) == ""
