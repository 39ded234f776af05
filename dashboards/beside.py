"""The processes beside the daemon: outlooks, alarms; forwarding and the phone page where they are wanted."""

import logging
from concurrent.futures import ThreadPoolExecutor

from collector.child import Child
from dashboards.commands.phone import phone_order
from dashboards.forward_order import CODE as FORWARD_CODE
from dashboards.forward_order import ForwardOrder
from dashboards.notify.service_code import WATCH_CODE
from dashboards.phone.order import CODE as PHONE_CODE
from dashboards.session import Session
from forecast.outlook_child import OutlookChild
from forecast.outlook_order import order_of


class Beside:
    """All of one daemon's processes, by the session's configuration and clock."""

    def __init__(self, session: Session) -> None:
        outlook = OutlookChild(lambda: order_of(session.files, session.clock))
        found = (outlook, _forward(session), _phone(session))
        self._plain = [one for one in found if one is not None]
        self._watch = Child(
            "alarms", WATCH_CODE, lambda: order_of(session.files, session.clock).line().rstrip()
        )

    def start(self) -> None:
        """Begin; returns at once."""
        for child in (*self._plain, self._watch):
            child.start()

    def stop(self, *, planned: bool = True) -> None:
        """End them together; unless `planned`, people are told of the daemon's death."""
        with ThreadPoolExecutor(len(self._plain) + 1) as together:
            together.submit(self._watch.stop, planned=planned)
            for child in self._plain:
                together.submit(child.stop)


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
    return Child("forwarding", FORWARD_CODE, order.line)


def _phone(session: Session) -> Child | None:
    """Return the process that serves the phone page, where it is wanted."""
    config = session.config.phone
    if config is None:
        return None
    return Child("the phone page", PHONE_CODE, lambda: phone_order(session, config).line())
