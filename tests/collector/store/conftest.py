"""One store of each kind; and a small disk that can be filled."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.store.base import Store
from tests.collector.store.examples import MAKERS
from tests.disks import mounted


@pytest.fixture(params=MAKERS)
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """Give a fresh store."""
    opened = MAKERS[request.param](tmp_path / "layday.db")
    yield opened
    opened.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Give a file system of one megabyte."""
    with mounted(tmp_path / "disk", "-t", "tmpfs", "-o", "size=1m", "tmpfs") as disk:
        yield disk
