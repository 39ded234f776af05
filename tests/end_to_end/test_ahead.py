"""`layday ahead` and `layday hindcast` as a person runs them."""

import json
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from collector.clock import to_us
from collector.domain import Reading
from collector.store.opening import open_store
from forecast.weather import HOUR_US, QUANTITIES, Outdoor
from forecast.weather_book import WeatherBook
from forecast.weather_keeper import weather_book_path
from tests.end_to_end.layday import COMMAND, Layday, sensor_lines

START = datetime(2026, 4, 1, tzinfo=UTC)
KEYS = {
    "n",
    "mae",
    "bias",
    "crps",
    "cover80",
    "width80",
    "cover80_worst_week",
    "mae_persistence",
    "mae_yesterday",
}


@pytest.fixture
def shed(tmp_path: Path) -> Layday:
    """Six days of a made-up daily course of air and humidity."""
    shed = Layday(tmp_path, sensor_lines("tunnel/keel/node", ("air_c", "humidity_pct")))
    store = open_store(tmp_path / "layday.sqlite")
    random = np.random.default_rng(2)
    readings = []
    for step in range(6 * 48):
        at = START + timedelta(minutes=30 * step)
        swing = float(np.sin(step * 2 * np.pi / 48))
        for name, value in (("air_c", 18 + 4 * swing), ("humidity_pct", 60 - 12 * swing)):
            readings.append(Reading(f"keel.{name}", at, value + float(random.normal(0, 0.3)), at))
    store.add(readings)
    store.close()
    return shed


def test_ahead_says_the_range_and_the_little_history(shed: Layday) -> None:
    answer = shed.ask("ahead", "--at", "2026-04-06T23:30Z", "--json")
    assert answer.returncode == 0, answer.stderr
    found = json.loads(answer.stdout)
    assert found["schema"] == "layday/ahead/1"
    assert "still learning" in found["notes"][0]
    rows = found["bays"]["keel"]["air_c"]
    assert all(row["low"] <= row["likely"] <= row["high"] for row in rows)
    assert found["words"]["keel"][0].startswith("Air: ")


def test_ahead_speaks_in_words_and_draws_the_ranges(shed: Layday) -> None:
    """The made-up air swings by 4 °C about 18 °C, coldest at 18:00 UTC; humidity the other way."""
    answer = shed.ask("ahead", "--at", "2026-04-06T23:30Z")
    assert answer.returncode == 0, answer.stderr
    lines = answer.stdout.splitlines()
    told = " ".join(answer.stdout.split())  # lines end where the terminal does
    assert "keel: Air: warmest 2" in told
    assert "coldest 14 °C about Tue 1" in told
    assert "Humidity" in told
    assert sum("\u2800" < letter < "\u28ff" for line in lines for letter in line) > 50
    assert any("humidity %" in line for line in lines)
    plain = shed.ask("ahead", "--at", "2026-04-06T23:30Z", "--plain").stdout.splitlines()
    (air,) = (line for line in plain if line.startswith("keel, air: "))
    assert air.removeprefix("keel, air: ") in told
    assert "coldest 14 °C about Tue 1" in air
    assert not any("humidity %" in line for line in plain)


def test_ahead_names_the_bays_it_has(shed: Layday) -> None:
    answer = shed.ask("ahead", "--at", "2026-04-06T23:30Z", "--bay", "loft")
    assert answer.returncode == 2
    assert "keel" in answer.stderr


def test_hindcast_of_the_own_export_gives_every_promised_key(shed: Layday) -> None:
    file = shed.folder / "out.csv"
    assert shed.ask("export", str(file)).returncode == 0
    answer = subprocess.run(
        [*COMMAND, "hindcast", str(file), "--json", "--horizon", "24h"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 0, answer.stderr
    found = json.loads(answer.stdout)
    assert found["schema"] == "layday/hindcast/1"
    for quantity in ("air_c", "humidity_pct", "dew_point_c"):
        scores = found["bays"]["keel"][quantity]
        assert list(scores) == ["1", "3", "6", "12", "24"]
        assert set(scores["12"]) == KEYS


def test_hindcast_draws_a_picture_and_two_processes_say_the_same(shed: Layday) -> None:
    file, picture = shed.folder / "out.csv", shed.folder / "scores.png"
    assert shed.ask("export", str(file)).returncode == 0
    one = shed.ask("hindcast", str(file), "--json", "--every", "6h", "--plot", str(picture))
    assert one.returncode == 0, one.stderr
    head = picture.read_bytes()[:24]
    assert head.startswith(b"\x89PNG\r\n\x1a\n")
    width, height = (int.from_bytes(head[at : at + 4], "big") for at in (16, 20))
    assert (width, height) > (500, 500)
    two = shed.ask("hindcast", str(file), "--json", "--every", "6h", "--jobs", "2")
    assert json.loads(two.stdout) == json.loads(one.stdout)


def test_a_kept_outdoor_forecast_is_known_to_ahead_and_hindcast(shed: Layday) -> None:
    """A forecast kept each day is read from the book beside the store; nobody is asked."""
    text = shed.config.read_text()
    shed.config.write_text(f'[weather]\nservice = "file"\nfile = "gone.json"\n{text}')
    days = ("--from", "2026-04-04T00:00Z", "--to", "2026-04-06T00:00Z", "--json")
    blind = shed.ask("hindcast", *days)
    assert blind.returncode == 0, blind.stderr
    none = shed.ask("hindcast", "--weather", "column")
    assert none.returncode == 2
    assert "no outdoor forecast was kept" in none.stderr
    book = WeatherBook(weather_book_path(shed.folder / "layday.sqlite"))
    hours = np.arange(12 * 24, dtype=np.int64)
    for day in range(6):
        left = hours[24 * day :]
        columns = {name: np.full(len(left), np.nan) for name in QUANTITIES}
        columns["air_c"] = 10 + 5 * np.sin(left * 2 * np.pi / 24)
        book.keep(Outdoor("saved", None, to_us(START) + HOUR_US * left, columns), START + timedelta(days=day))
    kept = shed.ask("hindcast", *days, "--weather", "column")
    assert kept.returncode == 0, kept.stderr
    assert json.loads(kept.stdout) != json.loads(blind.stdout)
    assert shed.ask("ahead", "--at", "2026-04-06T23:30Z").returncode == 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--every", "soon"), "whole hours"),
        (("--weather", "fair"), "choose none"),
        (("--bay", "loft"), "keel"),
        (("--plot", "scores.pdf"), "ends in .png"),
        (("--plot", "nowhere/scores.png"), "no folder"),
        (("--weather", "column"), "outdoor.forecast_air_c"),
    ],
)
def test_a_mistaken_option_is_explained(shed: Layday, options: tuple[str, ...], words: str) -> None:
    file = shed.folder / "out.csv"
    assert shed.ask("export", str(file)).returncode == 0
    answer = shed.ask("hindcast", str(file), *options)
    assert answer.returncode == 2
    assert words in answer.stderr
