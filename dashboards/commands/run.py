"""`layday run`: the daemon."""

import logging
from concurrent.futures import ThreadPoolExecutor

import typer

from collector.child import Child
from collector.file_mark import file_mark
from collector.housekeeping import Housekeeper
from collector.memory import settle_memory
from collector.service import Daemon
from collector.store.lock import hold_store
from dashboards.commands.phone import phone_order
from dashboards.forward_order import CODE, ForwardOrder
from dashboards.notify.service_code import WATCH_CODE
from dashboards.phone.order import CODE as PHONE_CODE
from dashboards.session import Session
from forecast.outlook_child import OutlookChild
from forecast.outlook_order import order_of


def run(ctx: typer.Context) -> None:
    """Take readings from sensors and broker, keep them, until told to stop."""
    session: Session = ctx.obj
    session.need_own_files()
    logging.getLogger().setLevel(logging.INFO)
    with hold_store(session.store_path):
        store = session.open_store()
        housekeeper = Housekeeper(store, session.clock, session.config.store.keep_days)
        outlook = OutlookChild(lambda: order_of(session.files, session.clock))
        forward, phone = _forward(session), _phone(session)
        watch = Child("alarms", WATCH_CODE, lambda: order_of(session.files, session.clock).line().rstrip())
        beside = [child for child in (outlook, forward, phone) if child is not None]
        planned = False
        try:
            daemon = Daemon(session.config, store, session.clock, lambda: file_mark(session.outlook_path))
            daemon.take_signals()
            settle_memory()
            daemon.start()
            housekeeper.start()
            for child in (*beside, watch):
                child.start()
            daemon.run()
            planned = True
            housekeeper.stop()
        finally:
            with ThreadPoolExecutor(len(beside) + 1) as together:
                together.submit(watch.stop, planned=planned)
                for child in beside:
                    together.submit(child.stop)
            store.close()


def _forward(session: Session) -> Child | None:
    """Return the process that copies to the central store, where one is configured."""
    if not session.config.forward.address:
        return None
    order = ForwardOrder(
        config_file=str(session.config_path or ""),
        store_file=str(session.store_path),
        journal_file=str(session.journal_path),
        outlook_file=str(session.outlook_path),
        log_level=logging.getLogger().getEffectiveLevel(),
    )
    return Child("forwarding", CODE, order.line)


def _phone(session: Session) -> Child | None:
    """Return the process that serves the phone page, where it is wanted."""
    config = session.config.phone
    if config is None:
        return None
    return Child("the phone page", PHONE_CODE, lambda: phone_order(session, config).line())
