"""`layday run`: the daemon."""

import logging

import typer

from collector.file_mark import file_mark
from collector.housekeeping import Housekeeper
from collector.memory import settle_memory
from collector.service import Daemon
from collector.store.lock import hold_store
from dashboards.beside import Beside
from dashboards.session import Session


def run(ctx: typer.Context) -> None:
    """Take readings from sensors and broker, keep them, until told to stop."""
    session: Session = ctx.obj
    session.need_own_files()
    logging.getLogger().setLevel(logging.INFO)
    with hold_store(session.store_path):
        store = session.open_store()
        housekeeper = Housekeeper(store, session.clock, session.config.store.keep_days)
        beside = Beside(session)
        planned = False
        try:
            daemon = Daemon(session.config, store, session.clock, lambda: file_mark(session.outlook_path))
            daemon.take_signals()
            settle_memory()
            daemon.start()
            housekeeper.start()
            beside.start()
            daemon.run()
            planned = True
            housekeeper.stop()
        finally:
            beside.stop(planned=planned)
            store.close()
