"""The newest outlook that is kept, wherever that is."""

from datetime import datetime

from dashboards.session import Session
from forecast.outlook import Outlook
from forecast.outlook_book import open_outlooks
from forecast.outlook_json import load_outlook


def kept_outlook(session: Session, moment: datetime) -> Outlook | None:
    """Return the newest outlook made by a moment; None where none is kept.

    A central store keeps the newest one; asked about an earlier moment it has none.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    if session.central is not None:
        return _at_central(session, moment)
    outlooks = open_outlooks(session.outlook_path, read_only=True)
    if outlooks is None:
        return None
    try:
        return outlooks.newest(moment)
    finally:
        outlooks.close()


def _at_central(session: Session, moment: datetime) -> Outlook | None:
    store = session.open_store(read_only=True)
    try:
        state = store.read_state("outlook")
    finally:
        store.close()
    outlook = None if state is None else load_outlook(state.text)
    return outlook if outlook is not None and outlook.issued_at <= moment else None
