"""What each answer of the far end is taken for."""

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.errors import StoreError
from collector.forward.sender import Sender, UnavailableError
from collector.store.address import NO_ACCESS, Access, Address
from tests.central import Central, running
from tests.collector.forward.door import HANG, Door

LINES = [f"layday_reading,shed=gull,place=keel,quantity=air_c value={i}.5 {i}" for i in range(1, 9)]


@pytest.fixture(scope="module")
def central() -> Iterator[Central]:
    """InfluxDB behind nginx, which stands in for a 2.x front door."""
    with running("influx") as found:
        yield found


@contextmanager
def answering(central: Central, fault: Callable[[bytes], object]) -> Iterator[Address]:
    """Put a door before it that decides by what is sent."""
    address = central.make_bucket("sender")
    with Door(address.url, hang_s=1.0, bad=False) as door:
        door.by_body = fault
        yield Address("influx", door.url, address.bucket, "gull")


def sender(address: Address, access: Access = NO_ACCESS) -> Sender:
    return Sender(address, access, "layday", SystemClock(), timeout_s=0.5, compress=False)


def test_what_is_taken_is_taken(central: Central) -> None:
    with answering(central, lambda _: None) as address:
        assert sender(address).send(LINES) == []


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (401, "check token_file"),
        (403, "its rights"),
        (404, "no such bucket"),
        (503, "not ready"),
        (200, "no store"),
    ],
)
def test_the_far_ends_trouble_puts_no_line_aside(central: Central, status: int, words: str) -> None:
    with answering(central, lambda _: status) as address, pytest.raises(UnavailableError, match=words):
        sender(address).send(LINES)


def test_a_far_end_that_refuses_everything_has_a_fault_of_its_own(central: Central) -> None:
    with answering(central, lambda _: 400) as address, pytest.raises(UnavailableError, match="400"):
        sender(address).send(LINES)


def test_one_bad_line_is_found_among_good_ones_and_told_with_its_reason(central: Central) -> None:
    bad = "layday_reading,shed=gull,place=keel,quantity=air_c value=1.5 99999999999999999"
    with answering(central, lambda _: None) as address:
        (refusal,) = sender(address).send([*LINES[:3], bad, *LINES[3:]])
    assert refusal.line == bad
    assert refusal.status == 400
    assert "time outside range" in refusal.reason


def test_requests_too_large_are_halved(central: Central) -> None:
    sizes = []

    def fault(body: bytes) -> int | None:
        sizes.append(len(body))
        return 413 if len(body) > 150 else None

    with answering(central, fault) as address:
        assert sender(address).send(LINES) == []
    assert max(size for size in sizes if size <= 150) > 100


def test_a_far_end_that_is_busy_says_how_long_to_wait(central: Central) -> None:
    with answering(central, lambda _: 429) as address, pytest.raises(UnavailableError) as caught:
        sender(address).send(LINES)
    assert caught.value.wait_s == 0.2


def test_no_answer_is_no_answer(central: Central) -> None:
    with answering(central, lambda _: HANG) as address, pytest.raises(UnavailableError, match="timed out"):
        sender(address).send(LINES)


def test_a_token_is_sent_and_never_told(central: Central, tmp_path: Path) -> None:
    token = tmp_path / "token"
    token.write_text("s3cret-t0ken\n")
    with answering(central, lambda _: 401) as address, pytest.raises(UnavailableError) as caught:
        sender(address, Access(str(token))).send(LINES)
    assert "s3cret" not in str(caught.value)
    token.write_text("two words\n")
    with (
        answering(central, lambda _: None) as address,
        pytest.raises(StoreError, match="nothing else") as told,
    ):
        sender(address, Access(str(token))).send(LINES)
    assert "words" not in str(told.value)


def test_the_daemon_loads_no_client_and_the_forwarder_no_pandas() -> None:
    code = (
        "import sys, collector.service, dashboards.commands.run\n"
        "assert 'influxdb_client' not in sys.modules and 'urllib3' not in sys.modules\n"
        "from collector.forward.sender import Sender\n"
        "from collector.store.address import NO_ACCESS, parse_address\n"
        "from collector.clock import SystemClock\n"
        "Sender(parse_address('influx://127.0.0.1:9/x/y'), NO_ACCESS, 'o', SystemClock())._connected()\n"
        "assert 'influxdb_client' in sys.modules and 'pandas' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
