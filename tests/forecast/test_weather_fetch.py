"""Fetching weather from a real server, politely; keeping it; telling what was known when."""

import gzip
import json
import socket
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from pathlib import Path

import numpy as np
import pytest

from collector.clock import ManualClock, to_us
from collector.errors import InputError
from collector.source_config import BrokerConfig
from collector.weather_config import WeatherConfig
from forecast import weather_fetch
from forecast.past import AHEAD_STEPS, STEP_US, History
from forecast.weather import HOUR_US, QUANTITIES, Outdoor
from forecast.weather_book import WeatherBook
from forecast.weather_fetch import Fetcher, FetchError, address
from forecast.weather_keeper import WeatherKeeper, outdoor_ahead
from forecast.weather_topic import retained
from tests.forecast.weather_server import Answer, serving
from tests.mosquitto import Mosquitto

NOW = datetime(2020, 7, 20, 11, 45, tzinfo=UTC)
VECTORS = Path(__file__).parent.parent / "vectors" / "weather"
BODY = (VECTORS / "met_norway_complete.json").read_bytes()
MODIFIED = format_datetime(NOW - timedelta(hours=1), usegmt=True)


def _headers(minutes: int = 30, at: datetime = NOW) -> dict[str, str]:
    return {
        "Date": format_datetime(at, usegmt=True),
        "Expires": format_datetime(at + timedelta(minutes=minutes), usegmt=True),
        "Last-Modified": MODIFIED,
    }


def _fetcher(tmp_path: Path, clock: ManualClock) -> Fetcher:
    return Fetcher(tmp_path / "cache", "yard@example.org", clock)


def test_it_says_who_asks_and_does_not_ask_before_it_expires(tmp_path: Path) -> None:
    clock = ManualClock(NOW)
    with serving(lambda _: Answer(BODY, headers=_headers())) as server:
        fetcher = _fetcher(tmp_path, clock)
        assert fetcher.get(server.url) == BODY.decode()
        clock.advance(timedelta(minutes=29))
        # a program that was restarted meanwhile knows it too
        assert _fetcher(tmp_path, clock).get(server.url) == BODY.decode()
        assert len(server.asked) == 1
        assert "layday" in server.asked[0][1]["User-Agent"]
        assert "yard@example.org" in server.asked[0][1]["User-Agent"]
        clock.advance(timedelta(minutes=2))
        fetcher.get(server.url)
        assert server.asked[1][1]["If-Modified-Since"] == MODIFIED


def test_not_modified_keeps_the_body_and_the_new_expiry(tmp_path: Path) -> None:
    clock = ManualClock(NOW)
    later = _headers(at=NOW + timedelta(hours=1))
    with serving(lambda _: Answer(BODY, headers=_headers())) as server:
        fetcher = _fetcher(tmp_path, clock)
        fetcher.get(server.url)
        server.answer = lambda _: Answer(status=304, headers=later)
        clock.advance(timedelta(hours=1))
        assert fetcher.get(server.url) == BODY.decode()
        clock.advance(timedelta(minutes=29))
        assert fetcher.get(server.url) == BODY.decode()
        assert len(server.asked) == 2


def test_a_packed_answer_is_unpacked(tmp_path: Path) -> None:
    packed = Answer(gzip.compress(BODY), headers={**_headers(), "Content-Encoding": "gzip"})
    with serving(lambda _: packed) as server:
        assert _fetcher(tmp_path, ManualClock(NOW)).get(server.url) == BODY.decode()
        assert server.asked[0][1]["Accept-Encoding"] == "gzip"


def test_a_service_that_fails_is_asked_ever_more_seldom_and_what_is_kept_serves(tmp_path: Path) -> None:
    clock = ManualClock(NOW)
    with serving(lambda _: Answer(BODY, headers=_headers())) as server:
        fetcher = _fetcher(tmp_path, clock)
        fetcher.get(server.url)
        server.answer = lambda _: Answer(status=503)
        for _ in range(24 * 60):
            clock.advance(timedelta(minutes=1))
            assert fetcher.get(server.url) == BODY.decode()
        # asked at half an hour, then after waits of 5, 10, 20, 40, 80, 160, 320, 360 and 360 min
        assert len(server.asked) - 1 == 10
        assert "503" in fetcher.trouble(server.url)
        server.answer = lambda _: Answer(BODY, headers=_headers())
        clock.advance(timedelta(hours=6))
        fetcher.get(server.url)
        assert fetcher.trouble(server.url) == ""


def test_a_wish_to_be_left_alone_is_honoured(tmp_path: Path) -> None:
    clock = ManualClock(NOW)
    with serving(lambda _: Answer(status=429, headers={"Retry-After": "7200"})) as server:
        fetcher = _fetcher(tmp_path, clock)
        for _ in range(12):
            with pytest.raises(FetchError, match="429"):
                fetcher.get(server.url)
            clock.advance(timedelta(minutes=9))
        assert len(server.asked) == 1


@pytest.mark.parametrize("body", [b"<html>sign in to this network</html>", b"\xff\xfe", b'{"cut'])
def test_what_is_no_json_never_displaces_what_is_kept(tmp_path: Path, body: bytes) -> None:
    clock = ManualClock(NOW)
    with serving(lambda _: Answer(BODY, headers=_headers())) as server:
        fetcher = _fetcher(tmp_path, clock)
        fetcher.get(server.url)
        server.answer = lambda _: Answer(body)
        clock.advance(timedelta(hours=1))
        assert fetcher.get(server.url) == BODY.decode()


def test_a_silent_service_is_given_up_in_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weather_fetch, "TIMEOUT_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as deaf:
        url = f"http://127.0.0.1:{deaf.getsockname()[1]}"
        with pytest.raises(FetchError, match="timed out"):
            _fetcher(tmp_path, ManualClock(NOW)).get(url)


def test_a_damaged_cache_counts_as_none(tmp_path: Path) -> None:
    clock = ManualClock(NOW)
    with serving(lambda _: Answer(BODY, headers=_headers())) as server:
        fetcher = _fetcher(tmp_path, clock)
        fetcher.get(server.url)
        for file in (tmp_path / "cache").iterdir():
            file.write_text('{"address": 3')
        assert fetcher.get(server.url) == BODY.decode()


def test_coordinates_have_four_decimals_at_most() -> None:
    """Every service asks for that: more would only spoil its cache."""
    where = {"latitude_deg": 53.123456, "longitude_deg": -6.987654, "contact": "yard@example.org"}
    for service, north, east in (
        ("met_norway", "lat=53.1235&", "lon=-6.9877"),
        ("open_meteo", "latitude=53.1235&", "longitude=-6.9877&"),
        ("weather_gov", "/points/53.1235,", ",-6.9877"),
    ):
        url = address(WeatherConfig.model_validate({"service": service, **where}))
        assert north in url
        assert east in url


def test_the_keeper_follows_the_signpost_of_weather_gov(tmp_path: Path) -> None:
    points, grid = ((VECTORS / f"weather_gov_{kind}.json").read_bytes() for kind in ("points", "grid"))
    at = datetime(2022, 2, 4, 4, tzinfo=UTC)
    with serving(lambda path: Answer(points if "/points/" in path else grid)) as server:
        config = WeatherConfig(
            service="weather_gov", latitude_deg=30.0, longitude_deg=-85.0, contact="yard", url=server.url
        )
        keeper = WeatherKeeper(config, tmp_path / "book.sqlite", ManualClock(at))
        keeper.refresh()
        assert keeper.notes == ()
        assert [path for path, _ in server.asked] == ["/points/30,-85", "/gridpoints/TAE/58,65"]
        known = keeper.known(_history(at, 96))
    assert np.isfinite(known.ahead["outdoor.air_c"][96:]).all()


def test_without_a_service_nothing_is_asked_or_written(tmp_path: Path) -> None:
    keeper = WeatherKeeper(WeatherConfig(), tmp_path / "book.sqlite", ManualClock(NOW))
    keeper.refresh()
    history = _history(NOW, 10)
    assert keeper.known(history) is history
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_not_there_is_a_note(tmp_path: Path) -> None:
    config = WeatherConfig(service="file", file=str(tmp_path / "gone.json"))
    keeper = WeatherKeeper(config, tmp_path / "book.sqlite", ManualClock(NOW))
    keeper.refresh()
    assert "gone.json" in keeper.notes[0]
    (tmp_path / "gone.json").write_bytes(BODY)
    keeper.refresh()
    assert keeper.notes == ()


def test_an_old_forecast_is_used_and_its_age_said(tmp_path: Path) -> None:
    (tmp_path / "saved.json").write_bytes(BODY)
    config = WeatherConfig(service="file", file=str(tmp_path / "saved.json"))
    keeper = WeatherKeeper(config, tmp_path / "book.sqlite", ManualClock(NOW + timedelta(days=2)))
    keeper.refresh()
    assert "of 20 Jul 01:30 UTC" in keeper.notes[0]
    keeper = WeatherKeeper(config, tmp_path / "book.sqlite", ManualClock(NOW + timedelta(days=20)))
    keeper.refresh()
    assert "ended at" in keeper.notes[0]


def test_a_retained_message_of_a_real_broker_is_the_forecast(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        config = BrokerConfig(host=broker.host, port=broker.port)
        with pytest.raises(InputError, match="nothing is retained"):
            retained(config, "yard/weather", wait_s=0.3)
        broker.publish("yard/weather", BODY.decode(), "-r", "-q", "1")
        assert retained(config, "yard/weather") == BODY.decode()
        weather = WeatherConfig(service="mqtt", topic="yard/weather")
        keeper = WeatherKeeper(weather, tmp_path / "book.sqlite", ManualClock(NOW), config)
        keeper.refresh()
        assert keeper.notes == ()
    with pytest.raises(InputError, match="cannot be reached"):
        retained(config, "yard/weather", wait_s=0.3)


def _history(end: datetime, count: int) -> History:
    last = to_us(end) // STEP_US * STEP_US
    times = last - STEP_US * np.arange(count - 1, -1, -1, dtype=np.int64)
    return History(times, {"keel.air_c": np.full(count, 15.0)}, {})


def _outdoor(start: datetime, air_c: float) -> Outdoor:
    times = to_us(start) + HOUR_US * np.arange(96, dtype=np.int64)
    columns = {name: np.full(96, np.nan) for name in QUANTITIES} | {"air_c": np.full(96, air_c)}
    return Outdoor("a service", start, times, columns)


def test_past_hours_take_what_was_expected_a_day_before_and_later_ones_the_newest() -> None:
    history = _history(NOW, 48 * 4)
    heard = [
        (NOW - timedelta(hours=hours), _outdoor(NOW - timedelta(hours=hours + 1), hours))
        for hours in (60, 36, 12)
    ]
    column = outdoor_ahead(history, heard)["outdoor.air_c"]
    assert len(column) == len(history) + AHEAD_STEPS
    assert np.isnan(column[48 * 4 - 1 - 80])  # 40 h ago: the first forecast is only 20 h older
    assert column[48 * 4 - 1 - 60] == 60.0  # 30 h ago: the one of 60 h ago
    assert column[48 * 4 - 1 - 10] == 36.0  # 5 h ago
    assert column[48 * 4 + 10] == 12.0
    assert set(outdoor_ahead(history, heard)) == {"outdoor.air_c"}


def test_a_forecast_heard_after_the_end_of_the_history_is_not_looked_at(tmp_path: Path) -> None:
    book = WeatherBook(tmp_path / "book.sqlite")
    book.keep(_outdoor(NOW, 5.0), NOW + timedelta(hours=2))
    (tmp_path / "saved.json").write_bytes(BODY)
    config = WeatherConfig(service="file", file=str(tmp_path / "saved.json"))
    keeper = WeatherKeeper(config, tmp_path / "book.sqlite", ManualClock(NOW))
    assert keeper.known(_history(NOW, 100)).ahead == {}


def test_the_book_keeps_an_issue_every_three_hours_and_always_the_newest(tmp_path: Path) -> None:
    book = WeatherBook(tmp_path / "book.sqlite")
    for hour in range(30):
        book.keep(_outdoor(NOW + timedelta(hours=hour), float(hour)), NOW + timedelta(hours=hour))
    book.keep(_outdoor(NOW + timedelta(hours=29), 29.0), NOW + timedelta(hours=29, minutes=30))
    heard = [at for at, _ in book.issues(NOW, NOW + timedelta(days=2))]
    assert heard[-1] == NOW + timedelta(hours=29)
    apart = np.diff([to_us(at) for at in heard]) / HOUR_US
    assert len(heard) <= 12
    assert max(apart) <= 3
    book.keep(_outdoor(NOW + timedelta(days=91), 1.0), NOW + timedelta(days=92))
    assert len(book.issues(NOW, NOW + timedelta(days=100))) == 1


def test_config_says_what_a_service_needs() -> None:
    for settings, words in (
        ({"service": "met_norway"}, "latitude_deg"),
        ({"service": "met_norway", "latitude_deg": 1.0, "longitude_deg": 1.0}, "contact"),
        ({"service": "file"}, "needs file"),
        ({"service": "mqtt"}, "needs topic"),
        ({"url": "ftp://x"}, "https"),
    ):
        with pytest.raises(ValueError, match=words):
            WeatherConfig.model_validate(settings)
    assert json.loads(WeatherConfig().model_dump_json())["service"] == "off"
