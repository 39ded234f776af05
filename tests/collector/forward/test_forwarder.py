"""The forwarder at work between a shed's store and real central stores."""

import json
import threading
import time
from collections.abc import Callable, Sequence
from datetime import timedelta
from pathlib import Path

import pytest

from collector.clock import SystemClock
from collector.forward.forwarder import STATE_KEY, Forwarder, Note
from collector.forward.sender import Refusal, Sender, UnavailableError
from collector.forward.spool import LIVE_READINGS, Spool
from collector.store.address import NO_ACCESS
from collector.store.opening import open_central, open_store
from collector.store.victoria import server_run
from tests.central import running
from tests.collector.store.examples import START, reading


class Counting:
    """Takes every line and remembers it; refuses to while `away`."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.away = False

    def send(self, lines: Sequence[str]) -> list[Refusal]:
        if self.away:
            raise UnavailableError("the yard is away")
        self.lines += lines
        return []

    def close(self) -> None:
        """Do nothing."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store with nothing in it."""
    found = tmp_path / "layday.db"
    open_store(found).close()
    return found


def test_after_an_outage_live_readings_go_first_and_all_arrive(path: Path) -> None:
    """A backlog of an hour at 6 readings a second, and readings that come while it is worked off."""
    store, far = open_store(path), Counting()
    with Spool(path) as spool:
        spool.begin("far")
        forwarder = Forwarder(spool, far, SystemClock(), shed="gull", address="far")
        far.away = True
        every = [reading(f"bay{i % 6}.air_c", i / 360, 1.0) for i in range(20_000)]
        for low in range(0, len(every), 2000):
            store.add(every[low : low + 2000])
            with pytest.raises(UnavailableError):
                forwarder.step()
        far.away = False
        steps = []
        live = 0
        more = True
        while more:
            now = reading("keel.air_c", 600 + live, 5.0)
            store.add([now])
            live += 1
            before = len(far.lines)
            more = forwarder.step()
            steps.append("keel" in far.lines[before])
        assert all(steps)
        assert len(set(far.lines)) == len(every) + live
        assert forwarder.status.trouble == ""
    store.close()


def test_what_waits_keeps_to_its_rate_and_live_readings_do_not_wait(path: Path) -> None:
    store, far = open_store(path), Counting()
    with Spool(path) as spool:
        spool.begin("far")
        forwarder = Forwarder(spool, far, SystemClock(), shed="gull", address="far", max_per_s=20_000.0)
        store.add([reading("keel.air_c", i / 60, 1.0) for i in range(LIVE_READINGS * 5)])
        began_s = time.monotonic()
        forwarder.step()  # 10,000 at once, and then half a second without
        forwarder.step()
        assert len(far.lines) == 10_000
        store.add([reading("sheer.air_c", 60 * 24, 1.0)])
        forwarder.step()
        if time.monotonic() - began_s < 0.4:
            assert len(far.lines) == 10_001
        while len(far.lines) < LIVE_READINGS * 5 + 1:
            forwarder.step()
            time.sleep(0.01)
        assert time.monotonic() - began_s > 0.9
    store.close()


def test_trouble_is_left_as_word_for_the_status_and_ends(path: Path) -> None:
    store, far = open_store(path), Counting()
    with Spool(path) as spool:
        spool.begin("far")
        store.add([reading("keel.air_c", 0, 1.0)])
        far.away = True
        forwarder = Forwarder(spool, far, SystemClock(), shed="gull", address="far", every_s=0.1)
        stopping = threading.Event()
        thread = threading.Thread(target=forwarder.run, args=(stopping,))
        thread.start()
        _until(lambda: forwarder.status.trouble)
        far.away = False
        _until(lambda: far.lines)
        stopping.set()
        thread.join()
        word = json.loads(spool.read_state(STATE_KEY) or "{}")
    assert (word["schema"], word["trouble"], word["sent_count"]) == ("layday/forward/1", "", 1)
    store.close()


def test_a_note_is_sent_when_it_changes_and_only_then(path: Path) -> None:
    far, notes = Counting(), [Note("journal", "laid", {"live_cures": 1.0})]
    with Spool(path) as spool:
        spool.begin("far")
        for _ in range(2):  # the second one started anew
            forwarder = Forwarder(
                spool, far, SystemClock(), shed="gull", address="far", notes=lambda: notes, every_s=0.0
            )
            forwarder.step()
            forwarder.step()
        first = list(far.lines)
        notes[0] = Note("journal", "laid, and kicked", {"live_cures": 1.0})
        forwarder.step()
    assert sum("start=" in line for line in first) == 1
    assert sum(line.startswith("layday_shed,shed=gull live_cures=1.0 ") for line in first) == 1
    assert sum("start=" in line for line in far.lines) == 2


@pytest.mark.slow
def test_what_victoriametrics_took_and_lost_is_copied_again(path: Path) -> None:
    """Killed right after its yes it has lost what it took; started anew, it gets that again."""
    with running("victoria") as central, Spool(path) as spool:
        address, clock = central.address.of("gull"), SystemClock()
        store = open_store(path)
        spool.begin(str(address))
        sender = Sender(address, NO_ACCESS, "layday", clock)
        forwarder = Forwarder(
            spool,
            sender,
            clock,
            shed="gull",
            address=str(address),
            server_run=lambda: server_run(address, NO_ACCESS),
        )
        store.add([reading("keel.air_c", i / 60, 12.5) for i in range(2000)])
        while forwarder.step():
            pass
        assert spool.backlog().stretches == 0
        time.sleep(1.1)  # it tells its start in whole seconds
        central.kill()
        central.start()
        central.settled()
        there = open_central(address, NO_ACCESS, clock)
        assert len(there.window("keel.air_c", START, START + timedelta(days=1)).values) < 2000
        forwarder._next_settle_s = 0.0
        forwarder.step()
        while forwarder.step():
            pass
        central.settled()
        found = there.window("keel.air_c", START, START + timedelta(days=1))
        assert forwarder.status.replays == 1
        assert len(found.values) == 2000
        there.close()
        store.close()


def _until(holds: Callable[[], object], timeout_s: float = 20.0) -> None:
    deadline_s = time.monotonic() + timeout_s
    while not holds():
        assert time.monotonic() < deadline_s
        time.sleep(0.02)
