"""`layday run`: the daemon."""

import logging

import typer

from collector.housekeeping import Housekeeper
from collector.service import Daemon
from collector.store.lock import hold_store
from dashboards.session import Session
from forecast.outlook_child import OutlookChild
from forecast.outlook_order import order_of


def run(ctx: typer.Context) -> None:
    """Take readings from sensors and broker, keep them, until told to stop."""
    session: Session = ctx.obj
    logging.getLogger().setLevel(logging.INFO)
    with hold_store(session.store_path):
        store = session.open_store()
        housekeeper = Housekeeper(store, session.clock, session.config.store.keep_days)
        outlook = OutlookChild(lambda: order_of(session.files, session.clock))
        try:
            daemon = Daemon(session.config, store, session.clock)
            daemon.take_signals()
            daemon.start()
            housekeeper.start()
            outlook.start()
            daemon.run()
            housekeeper.stop()
        finally:
            outlook.stop()
            store.close()
