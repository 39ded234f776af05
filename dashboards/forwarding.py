"""The forwarder's process: it puts together what `collector.forward` copies, from where and to where."""

import json
import logging
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from collector.child_pipe import read_order
from collector.clock import SystemClock
from collector.config import Config, load_config
from collector.errors import LaydayError
from collector.forward.forwarder import Forwarder, Note
from collector.forward.sender import Sender
from collector.forward.spool import Spool
from collector.journal import open_journal
from collector.journal_text import journal_text
from collector.shared_settings import settings_text
from collector.store.address import Address, parse_address
from dashboards.forward_order import ForwardOrder
from forecast.outlook_book import open_outlooks
from forecast.outlook_json import dump_outlook
from forecast.shed_limits import limits_of
from forecast.yard_numbers import limit_numbers, outlook_numbers

_log = logging.getLogger(__name__)


def forward_address(config: Config) -> Address:
    """Return where a shed's readings are copied to: the configured address, and the shed's own id."""
    return parse_address(config.forward.address).of(config.shed.name)


def make_forwarder(config: Config, spool: Spool, notes: Callable[[], Sequence[Note]]) -> Forwarder:
    """Return the forwarder of a shed, as the configuration has it."""
    from collector.store.victoria import server_run  # the daemon itself never speaks HTTP

    address, access, clock = forward_address(config), config.forward.access, SystemClock()
    sender = Sender(address, access, config.forward.org, clock, compress=config.forward.compress)
    # VictoriaMetrics says yes before what it took is on disk
    run = (lambda: server_run(address, access)) if address.kind == "victoria" else None
    return Forwarder(
        spool,
        sender,
        clock,
        shed=config.shed.name,
        address=str(address),
        notes=notes,
        max_per_s=config.forward.max_per_s,
        every_s=config.forward.every_s,
        server_run=run,
    )


def notes_of(config: Config, order: ForwardOrder) -> list[Note]:
    """Return what there is to tell beside readings: settings, journal, and the newest outlook.

    What cannot be read is left for the next time; readings do not wait for it.
    """
    notes = [Note("settings", settings_text(config), limit_numbers(limits_of(config.limits)))]
    for read in (_journal, _outlook):
        try:
            note = read(order)
        except LaydayError as error:
            _log.warning("not told this time: %s", error)
            continue
        if note is not None:
            notes.append(note)
    return notes


def _journal(order: ForwardOrder) -> Note | None:
    journal = open_journal(Path(order.journal_file), read_only=True)
    if journal is None:
        return None
    try:
        return Note("journal", journal_text(journal.entries()))
    finally:
        journal.close()


def _outlook(order: ForwardOrder) -> Note | None:
    outlooks = open_outlooks(Path(order.outlook_file), read_only=True)
    if outlooks is None:
        return None
    try:
        newest = outlooks.newest()
    finally:
        outlooks.close()
    return None if newest is None else Note("outlook", dump_outlook(newest), outlook_numbers(newest))


def main() -> None:
    """Read the order from standard input, and forward until that pipe ends."""
    stopping = threading.Event()
    order = ForwardOrder(**json.loads(read_order(stopping.set)))
    logging.basicConfig(level=order.log_level, format="%(levelname)s %(name)s: %(message)s")
    logging.getLogger("urllib3").setLevel(logging.ERROR)  # each of its retries is one of ours, told once
    config = load_config(Path(order.config_file)) if order.config_file else Config()
    with Spool(Path(order.store_file)) as spool:
        if spool.begin(str(forward_address(config))):
            _log.info("everything in the store is copied to %s, live readings first", forward_address(config))
        make_forwarder(config, spool, lambda: notes_of(config, order)).run(stopping)
