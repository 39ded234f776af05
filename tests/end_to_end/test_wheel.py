"""The built wheel works from another folder: all rooms, the resin cards and the simulated shed are in it."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--wheel-dir", str(folder), str(ROOT)],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    (built,) = folder.glob("layday-*.whl")
    return built


@pytest.mark.slow
def test_the_wheel_runs_the_demo_and_knows_its_cards_from_another_folder(wheel: Path, tmp_path: Path) -> None:
    site = tmp_path / "site"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    away = tmp_path / "away"
    away.mkdir()
    # ahead of this checkout on the path, whatever is installed beside the libraries
    env = {**os.environ, "PYTHONPATH": str(site)}

    def ask(code: str, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", code, *words],
            cwd=away,
            env=env,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    where = ask(
        "import collector, dashboards, forecast, hardware.tent as t; print(dashboards.__file__, t.__file__)"
    )
    assert where.stdout.count(str(site)) == 2, where
    main = "from dashboards.cli import main; main()"
    assert "generic-vinyl-ester" in ask(main, "resin", "list").stdout
    demo = ask(main, "demo", "--for", "3", "--plain")
    assert demo.returncode == 0, demo.stderr
    assert "keel: " in demo.stdout


def test_the_wheel_holds_nothing_but_layday(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        tops = {name.split("/")[0] for name in archive.namelist()}
    assert tops - {"collector", "forecast", "dashboards", "hardware"} == {
        wheel.stem.split("-py3")[0] + ".dist-info"
    }
