"""`layday ahead` and `layday hindcast` as a person runs them."""

import json
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from collector.domain import Reading
from collector.store.opening import open_store
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
    assert shed.ask("ahead", "--at", "2026-04-06T23:30Z").returncode == 0


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


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--every", "soon"), "whole hours"),
        (("--weather", "fair"), "choose none"),
        (("--bay", "loft"), "keel"),
    ],
)
def test_a_mistaken_option_is_explained(shed: Layday, options: tuple[str, ...], words: str) -> None:
    file = shed.folder / "out.csv"
    assert shed.ask("export", str(file)).returncode == 0
    answer = shed.ask("hindcast", str(file), *options)
    assert answer.returncode == 2
    assert words in answer.stderr
