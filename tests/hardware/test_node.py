"""The node's firmware, run by a real MicroPython on a board whose buses carry real frames."""

import importlib.util
import json
import math
import os
import struct
import subprocess
import sys
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from collector.clock import SystemClock
from collector.passwords import hash_password
from forecast.air import dew_point_c
from hardware.node.drawings import DRAWINGS
from hardware.tent import node as tent_node
from tests.end_to_end.layday import Layday, sensor_lines, until
from tests.vectors import rows

ROOT = Path(__file__).parents[2]
FIRMWARE = ROOT / "hardware/node/firmware"
HERE = Path(__file__).parent / "node"
MICROPYTHON = Path(sys.executable).with_name("micropython")
BASE_S = 1_790_000_000
AN_ESP32_HEAP = "160K"
MINUTES_A_DAY = 1440.0


def micropython(script: str, plan: Mapping[str, object], folder: Path, *, fakes: bool = True) -> Any:  # noqa: ANN401
    """Run a script beside the firmware in a folder of its own; return the JSON it prints."""
    paths = [*([HERE / "fakes"] if fakes else []), FIRMWARE]
    (folder / "plan.json").write_text(json.dumps(plan))
    done = subprocess.run(
        [MICROPYTHON, "-X", f"heapsize={AN_ESP32_HEAP}", HERE / script],
        env={**os.environ, "MICROPYPATH": ":".join(map(str, [*paths, ".frozen"]))},
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def settings(port: int, **more: object) -> dict[str, object]:
    return {"server": {"host": "127.0.0.1", "port": port}, **more}


def published(sensor: str, what: str) -> list[Mapping[str, str]]:
    return [row for row in rows("sensors.csv") if (row["sensor"], row["what"]) == (sensor, what)]


@pytest.fixture
def shed(tmp_path: Path) -> Iterator[Layday]:
    folder = tmp_path / "shed"
    folder.mkdir()
    quantities = ("air_c", "humidity_pct", "part_c")
    shed = Layday(folder, sensor_lines("tunnel/keel/node", quantities))
    shed.start()
    yield shed
    shed.end()


MESSAGES = (
    {"air_c": 17.23, "humidity_pct": 61.4, "part_c": 15.0},
    {"air_c": -0.05, "humidity_pct": 100.0, "part_c": None},
    {"on": 1.0, "gas_kg": 10.99},
)


def _ntp(seconds_1900: int, head: bytes = b"\x24\x02", fraction: int = 0) -> str:
    return (head + bytes(38) + struct.pack(">II", seconds_1900 & 0xFFFFFFFF, fraction)).hex()


# RFC 5905: mode 4 is a server, stratum 0 a refusal, leap 3 not synchronised; seconds since 1900, which
# begin again on 2036-02-07.
NTP = (
    (_ntp(BASE_S + 2_208_988_800, fraction=1 << 31), BASE_S * 1000 + 500),
    (_ntp(4_294_967_296 + 100), (4_294_967_296 + 100 - 2_208_988_800) * 1000),
    (_ntp(BASE_S + 2_208_988_800, b"\x24\x00"), None),
    (_ntp(BASE_S + 2_208_988_800, b"\xe4\x02"), None),
    (_ntp(BASE_S + 2_208_988_800, b"\x23\x02"), None),
    ("00" * 20, None),
)


# The published dew points of air that a shed may hold.
SHED_AIR = [
    row for row in rows("dew_point.csv") if float(row["temp_c"]) <= 45 and float(row["humidity_pct"]) >= 20
]


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, Any], Any]:
    questions = {
        "sht4x_crc8": [row["input_hex"] for row in published("SHT4x", "crc8")],
        "sht4x": [row["input_hex"].split() for row in published("SHT4x", "temp_c,humidity_pct")],
        "ds18b20": [row["input_hex"] for row in published("DS18B20", "temp_c")],
        "dew_point_c": [[float(row["temp_c"]), float(row["humidity_pct"])] for row in SHED_AIR],
        "payload": [[BASE_S, list(v), [None if x is None else round(100 * x) for x in v.values()]]
                    for v in MESSAGES],
        "ntp_ms": [reply for reply, _ in NTP],
        "epoch_s": [[2000, 1, 1, 0, 0, 0], [2026, 9, 21, 14, 13, 20], [2028, 2, 29, 23, 59, 59]],
    }  # fmt: skip
    return questions, micropython("vectors.py", questions, tmp_path_factory.mktemp("node"))


def test_checksums_and_conversions(told: tuple[dict[str, Any], Any]) -> None:
    _, answers = told
    assert answers["sht4x_crc8"] == [int(r["expected"], 16) for r in published("SHT4x", "crc8")]
    for row, found in zip(published("SHT4x", "temp_c,humidity_pct"), answers["sht4x"], strict=True):
        expected = [float(value) for value in row["expected"].split(",")]
        assert [value / 100 for value in found] == pytest.approx(expected, abs=0.0051)
    for row, found in zip(published("DS18B20", "temp_c"), answers["ds18b20"], strict=True):
        if row["input_hex"] == "0550":
            assert found == "85 degrees: the probe lost its power"
        else:
            assert found / 100 == pytest.approx(float(row["expected"]), abs=0.0051)


def test_the_dew_point_is_the_collectors_to_a_twentieth(told: tuple[dict[str, Any], Any]) -> None:
    """Both are fed the published pairs of `dew_point.csv`; the firmware also meets the printed numbers."""
    questions, answers = told
    pairs = zip(SHED_AIR, questions["dew_point_c"], answers["dew_point_c"], strict=True)
    for row, (temp_c, humidity_pct), found in pairs:
        assert found == pytest.approx(dew_point_c(temp_c, humidity_pct), abs=0.05)
        assert found == pytest.approx(float(row["sonntag90"]), abs=0.05)


def test_messages_are_byte_for_byte_those_of_the_simulated_shed(told: tuple[dict[str, Any], Any]) -> None:
    assert [said.encode() for said in told[1]["payload"]] == [tent_node.payload(BASE_S, v) for v in MESSAGES]


def test_time_servers_answers_and_dates(told: tuple[dict[str, Any], Any]) -> None:
    assert told[1]["ntp_ms"] == [expected for _, expected in NTP]
    dates = [datetime(2000, 1, 1), datetime(2026, 9, 21, 14, 13, 20), datetime(2028, 2, 29, 23, 59, 59)]  # noqa: DTZ001
    assert told[1]["epoch_s"] == [int(date.replace(tzinfo=UTC).timestamp()) for date in dates]


def test_the_dew_point_stands_32_bit_floats() -> None:
    """A board's floats have 24 bits: with every step rounded so, still within 0.05 °C of the collector's."""
    spec = importlib.util.spec_from_file_location("node_air", FIRMWARE / "air.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    module.log = lambda x: np.float32(math.log(x))  # type: ignore[attr-defined]
    for temp_c in np.arange(-10.0, 40.0, 2.5):
        for humidity_pct in (20.0, 50.0, 75.0, 95.0, 100.0):
            found = module.dew_point_c(np.float32(temp_c), np.float32(humidity_pct))
            assert isinstance(found, np.float32)
            assert float(found) == pytest.approx(dew_point_c(float(temp_c), humidity_pct), abs=0.05)


def test_a_32_bit_float_would_have_lost_the_time() -> None:
    """Why the firmware keeps time as whole numbers: the next representable moment is two minutes away."""
    assert np.spacing(np.float32(BASE_S)) == 128.0


def test_hours_without_network_arrive_once_and_in_order(shed: Layday, tmp_path: Path) -> None:
    """Six hours away, and a slow start without a time server: each reading is kept once, at its true time."""
    now_s = int(SystemClock().now().timestamp())
    rounds, period_s = 8 * 360, 10
    base_s = now_s - rounds * period_s - 60
    plan = {
        "base_s": base_s, "rounds": rounds, "away": [[60, 420]], "no_time_server": [[0, 5]],
        "settings": settings(shed.port, probes={"28aa112233440003": "part_c"}),
    }  # fmt: skip
    summary = micropython("rounds.py", plan, tmp_path)
    assert (summary["lost"], summary["left"], summary["files"]) == (0, 0, 0)
    until(lambda: len(shed.values("keel.air_c")) == rounds, "all readings are kept")
    for name in ("air_c", "humidity_pct", "part_c"):
        kept = shed.values(f"keel.{name}")
        times_s = [at // 1_000_000 for at in kept]
        assert len(times_s) == rounds
        assert times_s == sorted(times_s)
        assert times_s[0] - base_s <= period_s
        gaps = np.diff(times_s)
        assert gaps.min() >= period_s - 1
        assert gaps.max() <= period_s + 1
    # The fake warms by a hundredth a reading from 15 °C: the values belong to their times.
    air = np.array(list(shed.values("keel.air_c").values()))
    assert np.abs(np.diff(air[:900]) - 0.01).max() < 0.0101


def test_every_fault_of_a_sensor_leaves_its_value_out_and_is_told(shed: Layday, tmp_path: Path) -> None:
    """Absent, garbled, all-zero and power-on answers never become a number; the rest goes on."""
    base_s = int(SystemClock().now().timestamp()) - 7200
    plan = {
        "base_s": base_s, "rounds": 360, "settings": settings(shed.port),
        "air_absent": [[5, 10]], "air_garbled": [[12, 15]], "probe_absent": [[20, 25]],
        "probe_zero": [[26, 30]], "probe_power_on": [[32, 35]], "probe_garbled": [[37, 40]],
    }  # fmt: skip
    summary = micropython("rounds.py", plan, tmp_path)
    told = {tuple(fault) for fault in summary["faults"]}
    assert ("air_c", "checksum") in told
    assert {fault for name, fault in told if name == "part_c"} == {
        "nobody on the bus", "all zero: is the bus shorted?",
        "85 degrees: the probe lost its power", "checksum",
    }  # fmt: skip
    until(lambda: len(shed.values("keel.part_c")) > 250, "the rest is kept")
    minutes = {(at / 1e6 - base_s) / 60 for at in shed.values("keel.part_c")}
    bad = [(20, 25), (26, 30), (32, 35), (37, 40)]
    assert not [m for m in minutes for start, end in bad if start + 0.1 < m < end - 0.1]
    assert set(shed.values("keel.part_c").values()).isdisjoint({0.0, 85.0})
    assert all(10 < value < 40 for value in shed.values("keel.air_c").values())


def test_a_wet_sensor_is_warmed_and_not_believed_meanwhile(shed: Layday, tmp_path: Path) -> None:
    """After five minutes at 100 % the heater pulses once, and again only half an hour later."""
    base_s = int(SystemClock().now().timestamp()) - 7200
    plan = {"base_s": base_s, "rounds": 300, "wet": [[5, 45]], "settings": settings(shed.port)}
    summary = micropython("rounds.py", plan, tmp_path)
    assert summary["heat_pulses"] == 2
    until(lambda: len(shed.values("keel.part_c")) == 300, "all readings are kept")
    assert len(shed.values("keel.humidity_pct")) == 300 - 2 * 6


def test_the_lamp_is_lit_where_the_part_is_near_the_dew_point(shed: Layday, tmp_path: Path) -> None:
    plan = {"rounds": 3, "settings": settings(shed.port, pins={"lamp": 25})}
    assert micropython("rounds.py", plan, tmp_path)["lamp"] == 0
    # 15 °C and 100 %: the dew point is the air, and the part is colder.
    (tmp_path / "damp").mkdir()
    damp = micropython("rounds.py", {**plan, "wet": [[0, 10]]}, tmp_path / "damp")
    assert damp["lamp"] == 1


def test_heater_contact_and_scale(tmp_path: Path) -> None:
    """A contact to ground says the heater burns; 2,000 counts a kilogram over an empty 5,000."""
    folder = tmp_path / "shed"
    folder.mkdir()
    shed = Layday(folder, sensor_lines("tunnel/heater/node", ("on", "gas_kg"), "heater"))
    shed.start()
    try:
        base_s = int(SystemClock().now().timestamp()) - 7200
        plan = {
            "base_s": base_s, "rounds": 60, "heater_on": [[2, 6]], "scale_absent": [[8, 9]],
            "settings": settings(
                shed.port, name="heater", topic="tunnel/heater", air=False,
                scale={"zero": 5000, "per_kg": 2000},
                pins={"one_wire": None, "heater_input": 26, "scale_clock": 30, "scale_data": 31},
            ),
        }  # fmt: skip
        summary = micropython("rounds.py", plan, tmp_path)
        assert summary["faults"] == [["gas_kg", "not ready"]]
        until(lambda: len(shed.values("heater.on")) == 60, "all readings are kept")
        assert sum(shed.values("heater.on").values()) == 24
        assert set(shed.values("heater.gas_kg").values()) == {11.0}
    finally:
        shed.end()


def test_on_battery_it_sleeps_and_sends_now_and_then(shed: Layday, tmp_path: Path) -> None:
    """Each reading is a start of its own; they gather in flash and go out every thirtieth, once."""
    base_s = int(SystemClock().now().timestamp()) - 7200
    plan = {"base_s": base_s, "rounds": 95, "settings": settings(shed.port, battery=True, period_s=60)}
    summary = micropython("rounds.py", plan, tmp_path)
    until(lambda: len(shed.values("keel.air_c")) + summary["left"] == 95, "all is kept or waits")
    assert 0 < summary["left"] < 30


def test_over_tls_with_a_password_and_not_without_either(tmp_path: Path) -> None:
    """A real listener: right, wrong password, an authority that is not the server's, and no encryption."""
    for name in ("server", "other"):
        subprocess.run(
            ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
             "-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost",
             "-keyout", tmp_path / f"{name}.key", "-out", tmp_path / f"{name}.crt"],
            check=True, capture_output=True,
        )  # fmt: skip
    shed = Layday(tmp_path, sensor_lines("tunnel/keel/node", ("air_c",)))
    (tmp_path / "passwords").write_text(f"keel-node:{hash_password('right')}\n")
    secured = (
        'password_file = "passwords"\ntls_certificate_file = "server.crt"\ntls_key_file = "server.key"\n'
    )
    shed.config.write_text(shed.config.read_text().replace("[listener]\n", "[listener]\n" + secured))
    shed.start()
    try:
        at_s = int(SystemClock().now().timestamp())
        plan = {
            "port": shed.port, "ca_file": str(tmp_path / "server.crt"), "password": "right",
            "message": json.dumps({"t": at_s, "air_c": 17.5}),
        }  # fmt: skip
        assert micropython("encrypted.py", {**plan, "password": "wrong"}, tmp_path, fakes=False) in {
            "wrong user or password", "not allowed",
        }  # fmt: skip
        other = micropython(
            "encrypted.py", {**plan, "ca_file": str(tmp_path / "other.crt")}, tmp_path, fakes=False
        )
        assert other != "kept"
        assert micropython("encrypted.py", {**plan, "ca_file": ""}, tmp_path, fakes=False) != "kept"
        assert not shed.values("keel.air_c")
        assert micropython("encrypted.py", plan, tmp_path, fakes=False) == "kept"
        until(lambda: shed.values("keel.air_c") == {at_s * 1_000_000: 17.5}, "the reading is kept")
    finally:
        shed.end()


def test_the_drawings_are_those_of_the_script() -> None:
    for name, draw in DRAWINGS.items():
        assert (FIRMWARE.parent / name).read_text(encoding="utf-8") == draw(), "run 'make pictures'"


def test_a_power_cut_in_mid_write_costs_that_reading_and_no_other(tmp_path: Path) -> None:
    told = micropython("power_cuts.py", {}, tmp_path, fakes=False)
    for cut, kept in enumerate(told["cuts"]):
        whole = [1000, 1001, 1002, 1003] + ([1004] if cut == 32 else [])
        assert kept == [*whole, 2000], f"cut after {cut} bytes"
    # Three files of 128: the 385th reading makes the oldest file go, and says so.
    assert (told["oldest"], told["lost"], told["after"], told["left"]) == (128, 128, 328, 57)


def test_an_hour_away_from_the_start_neither_starves_the_watchdog_nor_the_memory(tmp_path: Path) -> None:
    """The fake's watchdog bites. Without a time to write down, the newest hour waits in memory."""
    plan = {"rounds": 400, "away": [[0, 100]], "settings": settings(9)}
    assert micropython("rounds.py", plan, tmp_path)["fed"] > 400


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "is no JSON"),
        ("{}", "server.host: say where"),
        ('{"sever": {}}', "sever: no such setting; there are: air, battery"),
        ('{"server": {"host": "a", "port": "1883"}}', "server.port: must be like 1883, not '1883'"),
        ('{"server": {"host": "a"}, "period_s": 0}', "period_s: from 1 to 3600"),
    ],
)
def test_a_mistake_in_the_settings_is_named(text: str, said: str, tmp_path: Path) -> None:
    code = f"from settings import read\nread({text!r})"
    done = subprocess.run(
        [MICROPYTHON, "-c", code],
        env={"MICROPYPATH": f"{FIRMWARE}:.frozen"}, cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert "SettingsError: node.json: " + said in done.stdout


def test_it_fits_a_small_board(tmp_path: Path) -> None:
    """Budget: 60 KB of heap free at the start and after a night, and 11.5 KB of flash for an hour offline.

    This interpreter's objects are twice a board's size (64-bit), so that a board has more.
    """
    summary = micropython(
        "rounds.py", {"rounds": 3000, "away": [[10, 5000]], "settings": settings(9)}, tmp_path
    )
    print(f"free at start {summary['free_at_start']} bytes, at the end {summary['free_at_end']}")
    assert min(summary["free_at_start"], summary["free_at_end"]) > 60_000
    kept = sum(file.stat().st_size for file in (tmp_path / "ring").iterdir())
    an_hour = kept / summary["left"] * 360
    print(f"flash an hour offline: {an_hour:.0f} bytes")
    assert an_hour == pytest.approx(32 * 360, rel=0.01)


def test_the_sample_settings_are_good(tmp_path: Path) -> None:
    text = (FIRMWARE.parent / "node.json").read_text(encoding="utf-8")
    spec = SimpleNamespace(**json.loads(text))
    assert spec.server["host"]
    code = f"from settings import read\nread({text!r})"
    done = subprocess.run(
        [MICROPYTHON, "-c", code], env={"MICROPYPATH": f"{FIRMWARE}:.frozen"}, cwd=tmp_path, check=False
    )
    assert done.returncode == 0
