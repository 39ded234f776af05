"""The shed's bays at a moment, for a command that answers in a blink."""

from contextlib import closing
from datetime import datetime, timedelta

from collector.store.newest import open_newest
from dashboards.session import Session
from forecast.shed_now import ShedNow, heard_last, judge_shed, shed_now

_PRESENT = timedelta(minutes=1)


def shed_at(session: Session, at: datetime) -> ShedNow:
    """Judge every bay from the newest readings at or before `at`.

    The newest rows say all there is to say of a shed whose sensors are well; only for others, for an earlier
    moment, and at a central store is the whole store opened, which loads numpy.

    Raises
    ------
    StoreError
        If the store cannot be opened or read, or there is none yet.
    """
    config = session.config
    if session.central is None and at > session.clock.now() - _PRESENT:
        with closing(open_newest(session.store_path, config.corrections)) as newest:
            heard = heard_last(newest, config.sensors, at)
        if not heard.odd:
            return judge_shed(config.shed.name, heard, config.sensors, session.limits)
    with closing(session.open_store(read_only=True)) as store:
        return shed_now(store, config.shed.name, config.sensors, session.limits, at)
