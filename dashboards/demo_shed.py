"""The demo's shed: a fresh folder, two weeks of simulated past, and sensors that publish live."""

import math
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from collector.child import Child
from collector.clock import EPOCH, QuickClock, SystemClock
from collector.config import Config, load_config
from collector.domain import QUANTITIES, Reading
from collector.journal import Told, open_journal
from collector.journal_book import Batch
from collector.phone_config import PhoneConfig
from collector.quality import range_flag
from collector.service import Daemon
from collector.store.base import Store
from collector.store.opening import open_store
from dashboards.phone.order import CODE as PHONE_CODE
from dashboards.phone.order import PhoneOrder
from forecast.outlook_child import OutlookChild
from forecast.outlook_order import Files, order_of
from hardware.tent.node import sensor_entries, status_topic
from hardware.tent.parameters import Tent
from hardware.tent.publisher import TentPublisher
from hardware.tent.sensors import NODES
from hardware.tent.simulation import History, Simulation

PAST = timedelta(days=14)
PAST_STEP_S = 300
_BATCH = 5000
_LAID_BEFORE = timedelta(hours=2)


@dataclass(frozen=True, slots=True)
class DemoShed:
    """A simulated shed at work: its configuration, store and quickened clock."""

    config: Config
    config_path: Path
    store: Store
    clock: QuickClock
    past_readings: int


@contextmanager
def demo_shed(speed: float, seed: int) -> Iterator[DemoShed]:
    """Set up a demo shed in a folder of its own, run it, and take it all down again.

    The simulated sensors speak MQTT to a real listener; its store is a real SQLite file.

    Raises
    ------
    LaydayError
        If a part of it cannot start.
    """
    with TemporaryDirectory(prefix="layday-demo-") as folder:
        path = Path(folder) / "layday.toml"
        path.write_text(_config_text(_free_port(), _free_port()), encoding="utf-8")
        config = load_config(path)
        start = SystemClock().now().replace(second=0, microsecond=0)
        simulation = Simulation(Tent(), start - PAST, seed)
        store = open_store(Path(config.store.path))
        try:
            past = _keep_past(store, simulation.record(start, PAST_STEP_S))
            clock = QuickClock(start, speed)
            daemon = Daemon(config, store, clock)
            daemon.start()
            files = _files(path, config)
            _lay(files.journal, start)
            outlook = OutlookChild(lambda: order_of(files, clock))
            page = Child("the phone page", PHONE_CODE, lambda: _phone_order(config, files, clock).line())
            outlook.start()
            page.start()
            try:
                publisher = TentPublisher(
                    config.listener.host,
                    config.listener.port,
                    start=start,
                    simulation=simulation,
                    now=clock.now,
                )
                publisher.start()
                try:
                    yield DemoShed(config, path, store, clock, past)
                finally:
                    publisher.stop()
            finally:
                page.stop()
                outlook.stop()
                daemon.stop()
        finally:
            store.close()


def _files(config_path: Path, config: Config) -> Files:
    store = Path(config.store.path)
    beside = {name: store.with_suffix(f".{name}.sqlite") for name in ("journal", "outlook")}
    return Files(config_path, store, beside["journal"], beside["outlook"], ())


def _phone_order(config: Config, files: Files, clock: QuickClock) -> PhoneOrder:
    phone = config.phone or PhoneConfig()
    return PhoneOrder(phone.host, phone.port, "", phone.names, False, order_of(files, clock))


def _lay(journal_path: Path, start: datetime) -> None:
    """Lay a batch on the hull two hours before the demo begins, so that there is a cure to watch."""
    journal = open_journal(journal_path)
    if journal is not None:
        laid_at = start - _LAID_BEFORE
        journal.start(Batch("keel", "hull", "generic-vinyl-ester", 1.75), Told(laid_at, laid_at))
        journal.close()


def _config_text(port: int, phone_port: int) -> str:
    """Return the demo's configuration as a user would write it."""
    lines = [
        "# The demo's shed: a 7.5 m day boat hull, upside down on its mould in a poly tunnel.",
        '[shed]\nname = "simulated_tunnel"\n',
        '[store]\npath = "layday.sqlite"\n',
        f'[listener]\nhost = "127.0.0.1"\nport = {port}\n',
        f"[phone]\nport = {phone_port}\n",
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
