"""One store of each kind; and a small disk that can be filled."""

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.store.base import Store
from tests.collector.store.examples import MAKERS


@pytest.fixture(params=MAKERS)
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """Give a fresh store."""
    opened = MAKERS[request.param](tmp_path / "layday.db")
    yield opened
    opened.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Mount a file system of one megabyte."""
    if os.geteuid() != 0:
        pytest.skip(
            "mounting a small disk needs root (CAP_SYS_ADMIN); run 'sudo make test' to include this test"
        )
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(disk)],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode:
        what = f"mounting a tmpfs needs CAP_SYS_ADMIN, which this root lacks: {mounted.stderr.strip()}"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(what)
    yield disk
    subprocess.run(["umount", "--lazy", str(disk)], check=True)
