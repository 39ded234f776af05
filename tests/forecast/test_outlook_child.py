"""The outlooks' process is started, started again, and ended; nothing of it is left."""

import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.store.opening import open_store
from forecast.outlook_book import open_outlooks
from forecast.outlook_child import OutlookChild
from forecast.outlook_order import Files, Order, order_of


def until(holds: Callable[[], object], what: str, timeout_s: float = 30.0) -> None:
    deadline_s = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline_s, f"not within {timeout_s:g} s: {what}"
        time.sleep(0.05)


@pytest.fixture
def order(tmp_path: Path) -> Callable[[], Order]:
    """An order for an empty shed."""
    store = tmp_path / "layday.sqlite"
    open_store(store).close()
    files = Files(None, store, tmp_path / "j.sqlite", tmp_path / "o.sqlite", ())
    return lambda: order_of(files, SystemClock())


@pytest.fixture
def children() -> Iterator[list[OutlookChild]]:
    """Children that are stopped afterwards."""
    started: list[OutlookChild] = []
    yield started
    for child in started:
        child.stop()


def test_it_starts_makes_an_outlook_and_is_gone_when_stopped(
    children: list[OutlookChild], order: Callable[[], Order], tmp_path: Path
) -> None:
    child = OutlookChild(order)
    children.append(child)
    child.start()
    until((tmp_path / "o.sqlite").exists, "its file")
    pid = child.pid
    assert pid is not None
    until(lambda: made(tmp_path / "o.sqlite"), "an outlook")
    began_s = time.monotonic()
    child.stop()
    assert time.monotonic() - began_s < 5.0
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    assert child.starts == 1


def made(path: Path) -> bool:
    book = open_outlooks(path, read_only=True)
    if book is None:
        return False
    try:
        return book.newest_at() is not None
    finally:
        book.close()


def test_one_that_hangs_is_replaced(children: list[OutlookChild], order: Callable[[], Order]) -> None:
    child = OutlookChild(order, hang_s=8.0)
    children.append(child)
    child.start()
    until(lambda: child.pid, "a process")
    first = child.pid
    assert first is not None
    os.kill(first, signal.SIGSTOP)
    until(lambda: child.pid not in {None, first}, "another process", 40.0)


def test_one_that_cannot_work_is_tried_again_after_a_while(
    children: list[OutlookChild],
    order: Callable[[], Order],
    tmp_path: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Its configuration has a mistake; once mended, it works."""
    open_store(tmp_path / "layday.sqlite").close()
    config = tmp_path / "layday.toml"
    config.write_text("[shed]\nnane = 'x'\n", encoding="utf-8")

    def with_config() -> Order:
        files = Files(config, tmp_path / "layday.sqlite", tmp_path / "j", tmp_path / "o.sqlite", ())
        return order_of(files, SystemClock())

    child = OutlookChild(with_config)
    children.append(child)
    child.start()
    until(lambda: child.starts >= 2, "a second start")
    config.write_text("[shed]\nname = 'x'\n", encoding="utf-8")
    until(lambda: made(tmp_path / "o.sqlite"), "an outlook", 40.0)
    errors = capfd.readouterr().err
    assert "shed.nane: no such setting" in errors
    assert "Traceback" not in errors


def test_what_is_never_started_can_be_stopped(order: Callable[[], Order]) -> None:
    OutlookChild(order).stop()
