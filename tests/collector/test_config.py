"""The configuration: every mistake at once, each with file, key, and what to do."""

from pathlib import Path

import pytest

from collector.config import Config, load_config
from collector.errors import ConfigError

GOOD = """
[shed]
name = "tunnel"
timezone = "Europe/Dublin"
[store]
path = "data/layday.sqlite"
[listener]
port = 1884
[limits]
humidity_max_pct = 80
[[sensor]]
place = "keel"
quantity = "air_c"
topic = "tunnel/keel/node"
pointer = "/air_c"
time_pointer = "/t"
[[sensor]]
place = "keel"
quantity = "humidity_pct"
topic = "tunnel/keel/node"
pointer = "/humidity_pct"
"""


def load(tmp_path: Path, text: str) -> Config:
    path = tmp_path / "layday.toml"
    path.write_text(text)
    return load_config(path)


def mistakes(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        load(tmp_path, text)
    return [line.removeprefix(f"{tmp_path}/") for line in caught.value.mistakes]


def test_a_good_file_is_read_and_its_paths_are_its_folders(tmp_path: Path) -> None:
    config = load(tmp_path, GOOD)
    assert list(config.sensors) == ["keel.air_c", "keel.humidity_pct"]
    assert config.store.path == str(tmp_path / "data/layday.sqlite")
    assert config.limits.humidity_max_pct == 80.0
    assert config.listener.password_file == ""


def test_an_empty_file_is_all_defaults(tmp_path: Path) -> None:
    config = load(tmp_path, "")
    assert (config.limits.air_min_c, config.limits.air_max_c) == (16.0, 30.0)
    assert (config.limits.part_min_c, config.limits.part_max_c) == (16.0, 30.0)
    assert (config.limits.humidity_max_pct, config.limits.margin_min_k) == (75.0, 3.0)


def test_every_mistake_is_named_at_once(tmp_path: Path) -> None:
    text = """
[shed]
name = "My Tunnel"
timezone = "Europe/Atlantis"
[listener]
port = 70000
colour = "blue"
[limits]
air_min_c = 31.0
humidity_max_pct = "80"
[[sensor]]
place = "keel"
quantity = "air"
topic = "tunnel/+/node"
pointer = "air_c"
[[sensor]]
place = "keel"
topic = "tunnel/keel"
"""
    found = mistakes(tmp_path, text)
    keys = [line.split(": ")[1] for line in found]
    assert keys == [
        "shed.name", "shed.timezone", "listener.port", "listener.colour",
        "limits.humidity_max_pct",
        "sensor[0].quantity", "sensor[0].topic", "sensor[0].pointer", "sensor[1].quantity",
    ]  # fmt: skip
    assert all(line.startswith("layday.toml: ") for line in found)
    assert "Europe/Dublin" in found[1]


def test_limits_upside_down(tmp_path: Path) -> None:
    assert mistakes(tmp_path, "[limits]\nair_min_c = 31\n") == [
        "layday.toml: limits: air_min_c (31) must be below air_max_c (30)"
    ]


def test_two_sensors_on_one_number(tmp_path: Path) -> None:
    again = GOOD + GOOD[GOOD.index("[[sensor]]") :]
    found = mistakes(tmp_path, again)
    assert "layday.toml: sensor[2].quantity: keel.air_c is configured twice; give one another place" in found
    assert any("two sensors share" in line for line in found)


def test_not_toml_says_where(tmp_path: Path) -> None:
    (line,) = mistakes(tmp_path, "[shed\n")
    assert line.startswith("layday.toml: is not TOML:")
    assert "line 1" in line


def test_a_missing_file_is_a_mistake_too(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="cannot be read"):
        load_config(tmp_path / "none.toml")


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7", "shed.example", "::"])
def test_a_listener_open_to_others_needs_a_guard(tmp_path: Path, host: str) -> None:
    (line,) = mistakes(tmp_path, f'[listener]\nhost = "{host}"\n')
    assert "password_file" in line
    guarded = load(tmp_path, f'[listener]\nhost = "{host}"\npassword_file = "sensors"\n')
    assert guarded.listener.password_file == str(tmp_path / "sensors")


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "::1"])
def test_loopback_needs_none(tmp_path: Path, host: str) -> None:
    assert load(tmp_path, f'[listener]\nhost = "{host}"\n').listener.host == host


def test_half_a_certificate_is_refused(tmp_path: Path) -> None:
    (line,) = mistakes(tmp_path, '[listener]\ntls_certificate_file = "a.pem"\n')
    assert "go together" in line
