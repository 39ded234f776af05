"""One store of each kind, local and central; and a small disk that can be filled."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from collector.store.base import Store
from tests.central import KINDS, Central, running
from tests.collector.store.examples import MAKERS
from tests.collector.store.forwarded import ForwardedStore
from tests.disks import mounted


@pytest.fixture(scope="session")
def centrals() -> Iterator[Callable[[str], Central]]:
    """Give the central store of a kind, started when first asked for."""
    with ExitStack() as stack:
        found: dict[str, Central] = {}

        def central(kind: str) -> Central:
            if kind not in found:
                found[kind] = stack.enter_context(running(kind))
            return found[kind]

        yield central


@pytest.fixture(params=[*MAKERS, *KINDS])
def store(
    request: pytest.FixtureRequest, tmp_path: Path, centrals: Callable[[str], Central]
) -> Iterator[Store]:
    """Give a fresh store; a central one gets its readings through a shed's store and the forwarder."""
    path = tmp_path / "layday.db"
    local = MAKERS.get(request.param)
    opened = local(path) if local else ForwardedStore(centrals(request.param), path)
    yield opened
    opened.close()


@pytest.fixture(params=MAKERS)
def own_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """Give a fresh store that is written here."""
    opened = MAKERS[request.param](tmp_path / "layday.db")
    yield opened
    opened.close()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Give a file system of one megabyte."""
    with mounted(tmp_path / "disk", "-t", "tmpfs", "-o", "size=1m", "tmpfs") as disk:
        yield disk
