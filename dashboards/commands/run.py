"""`layday run`: the daemon."""

import logging

import typer

from collector.housekeeping import Housekeeper
from collector.service import Daemon
from collector.store.lock import hold_store
from dashboards.session import Session


def run(ctx: typer.Context) -> None:
    """Take readings from sensors and broker, keep them, until told to stop."""
    session: Session = ctx.obj
    logging.getLogger().setLevel(logging.INFO)
    with hold_store(session.store_path):
        store = session.open_store()
        housekeeper = Housekeeper(store, session.clock, session.config.store.keep_days)
        try:
            daemon = Daemon(session.config, store, session.clock)
            daemon.take_signals()
            daemon.start()
            housekeeper.start()
            daemon.run()
            housekeeper.stop()
        finally:
            store.close()
