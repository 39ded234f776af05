"""The demo's shed: a fresh folder, two weeks of simulated past, and sensors that publish live.

After a while its flame goes out, so that there is something to be told of.
"""

import json
import math
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from collector.clock import EPOCH, QuickClock, SystemClock
from collector.config import load_config
from collector.domain import QUANTITIES, Reading
from collector.journal import Told, open_journal
from collector.journal_book import Batch
from collector.quality import range_flag
from collector.service import Daemon
from collector.store.base import Store
from collector.store.opening import open_store
from dashboards.beside import Beside
from dashboards.demo_folder import MESSAGES, demo_folder
from dashboards.session import Session
from hardware.tent.node import sensor_entries, status_topic
from hardware.tent.parameters import Tent
from hardware.tent.publisher import TentPublisher
from hardware.tent.scenario import Event, Kind, Scenario
from hardware.tent.sensors import NODES
from hardware.tent.simulation import History, Simulation

PAST = timedelta(days=14)
PAST_STEP_S = 300
_BATCH = 5000
_LAID_BEFORE = timedelta(hours=2)
FLAME_OUT_AFTER = timedelta(minutes=10)
FLAME_OUT = timedelta(hours=8)


@dataclass(frozen=True, slots=True)
class DemoShed:
    """A simulated shed at work: the session that reads it, its store and its quickened clock."""

    session: Session
    store: Store
    clock: QuickClock
    past_readings: int


@contextmanager
def demo_shed(session: Session, speed: float, seed: int) -> Iterator[DemoShed]:
    """Set up a demo shed in a folder of its own, run it, and take it all down again.

    The simulated sensors speak MQTT to a real listener; its store is a real SQLite file.

    Raises
    ------
    LaydayError
        If a part of it cannot start.
    """
    with demo_folder() as folder:
        path = folder / "layday.toml"
        path.write_text(_config_text(folder, _free_port(), _free_port()), encoding="utf-8")
        config = load_config(path)
        start = SystemClock().now().replace(second=0, microsecond=0)
        simulation = Simulation(Tent(), start - PAST, seed, _trouble(start))
        store = open_store(Path(config.store.path))
        try:
            past = _keep_past(store, simulation.record(start, PAST_STEP_S))
            clock = QuickClock(start, speed)
            session = replace(session, config=config, config_path=path, clock=clock, central=None)
            _lay(session.journal_path, start)
            with _at_work(session, store, clock, simulation):
                yield DemoShed(session, store, clock, past)
        finally:
            store.close()


@contextmanager
def _at_work(session: Session, store: Store, clock: QuickClock, simulation: Simulation) -> Iterator[None]:
    """Run the daemon, the processes beside it, and the sensors."""
    daemon = Daemon(session.config, store, clock)
    daemon.start()
    beside = Beside(session)
    beside.start()
    try:
        listener = session.config.listener
        publisher = TentPublisher(
            listener.host, listener.port, start=clock.now(), simulation=simulation, now=clock.now
        )
        publisher.start()
        try:
            yield
        finally:
            publisher.stop()
    finally:
        beside.stop()
        daemon.stop()


def _trouble(start: datetime) -> Scenario:
    """Return what goes wrong in the demo: the flame, for a night."""
    out_s = (start + FLAME_OUT_AFTER).timestamp()
    return Scenario((Event(Kind.HEATER_OUT, out_s, out_s + FLAME_OUT.total_seconds()),))


def _lay(journal_path: Path, start: datetime) -> None:
    """Lay a batch on the hull two hours before the demo begins, so that there is a cure to watch."""
    journal = open_journal(journal_path)
    if journal is not None:
        laid_at = start - _LAID_BEFORE
        journal.start(Batch("keel", "hull", "generic-vinyl-ester", 1.75), Told(laid_at, laid_at))
        journal.close()


def _config_text(folder: Path, port: int, phone_port: int) -> str:
    """Return the demo's configuration as a user would write it; messages go into a file of its own."""
    lines = [
        "# The demo's shed: a 7.5 m day boat hull, upside down on its mould in a poly tunnel.",
        '[shed]\nname = "simulated_tunnel"\n',
        '[store]\npath = "layday.sqlite"\n',
        f'[listener]\nhost = "127.0.0.1"\nport = {port}\n',
        f"[phone]\nport = {phone_port}\n",
        '[notify]\nfirst = ["file"]\n',
        '[[channel]]\nname = "file"\nkind = "command"',
        f"command = {json.dumps(['tee', '-a', str(folder / MESSAGES)])}\n",
    ]
    entries: list[dict[str, str]] = sensor_entries()
    entries += [{"place": node, "quantity": "online", "topic": status_topic(node)} for node in NODES]
    for entry in entries:
        lines.append("[[sensor]]")
        lines += [f'{key} = "{value}"' for key, value in entry.items()]
        lines.append("")
    return "\n".join(lines)


def _free_port() -> int:
    """Return a port nobody listens on, so that the demo never meets a broker that is already here."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _keep_past(store: Store, past: History) -> int:
    """Put the simulated past into the store; it is told apart from the live readings by nothing."""
    kept = 0
    batch: list[Reading] = []
    columns = {name: values.tolist() for name, values in past.reported.items()}
    for i, second in enumerate(past.time_s.tolist()):
        at = EPOCH + timedelta(seconds=second)
        for name, values in columns.items():
            if not math.isnan(values[i]):
                flags = range_flag(QUANTITIES[name.rpartition(".")[2]], values[i])
                batch.append(Reading(name, at, values[i], at, flags))
        if len(batch) >= _BATCH:
            kept += store.add(batch).new
            batch = []
    return kept + store.add(batch).new
