"""The alarms for the page, and the one thing the page may change: that somebody has seen one."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from html import escape
from pathlib import Path

from collector.config import Config, load_config
from dashboards.notify.alarm_file import alarm_path, open_alarm_file
from dashboards.notify.desk import Desk, alarms_json
from dashboards.notify.sayings import saying
from dashboards.notify.service import desk_of
from dashboards.notify.states import Alarm, Standing
from dashboards.notify.watch import Watch
from dashboards.phone.parts import sentence, told
from dashboards.view import Reader
from forecast.outlook_order import Order, read_order

BY = "phone"
_UNSEEN = (Standing.RAISED, Standing.CLEARED_UNSEEN)


def config_of(order: Order) -> Config:
    """Return the configuration that an order names.

    Raises
    ------
    ConfigError
        If it cannot be read.
    """
    return load_config(Path(order.config_file)) if order.config_file else Config()


def read_alarms(order: Order, config: Config) -> Watch:
    """Return the alarms as they stand; none where nobody ever judged any.

    Raises
    ------
    StoreError
        If they cannot be read.
    """
    with _desk(order, config, read_only=True) as desk:
        return Watch() if desk is None else desk.watch()


def alarm_rows(watch: Watch, at: datetime, reader: Reader) -> list[tuple[str, str]]:
    """Return what stands as (name, words as HTML), the worst first; the name is empty once it was seen."""
    standing = [alarm for alarm in watch.alarms if alarm.standing is not Standing.NORMAL]
    standing.sort(key=lambda alarm: (not alarm.is_live, alarm.standing not in _UNSEEN, not alarm.urgent))
    return [
        (alarm.name if alarm.standing in _UNSEEN else "", _words(alarm, at, reader)) for alarm in standing
    ]


def _words(alarm: Alarm, at: datetime, reader: Reader) -> str:
    """Return one alarm: its head as a heading, what it is, what to do, how sure that is."""
    said = saying(alarm, reader, at)
    unanswered = alarm.standing is Standing.RAISED
    kind = ("no-go" if alarm.urgent else "tight") if unanswered else "calm"
    badge = told("span", alarm.standing.value, f"v {kind}")
    known = f"Since {reader.clock(alarm.since, at)} ({alarm.name})" + (f"; {said.sure}" if said.sure else "")
    return "".join(
        (
            f"<h3>{escape(said.head)} {badge}</h3>",
            told("p", sentence(said.what)),
            told("p", sentence(f"To do: {said.do}"), "do") if alarm.is_live else "",
            told("p", sentence(known)),
        )
    )


def alarms_view(watch: Watch) -> str:
    """Return ``layday/alarms/1`` as text."""
    return json.dumps(alarms_json(watch))


def main() -> None:
    """Mark an alarm as seen: the order on the first line of standard input, the alarm on the second."""
    order = read_order(sys.stdin.buffer.readline())
    alarm = sys.stdin.buffer.readline().decode("ascii").strip()
    with _desk(order, config_of(order)) as desk:
        if desk is None:
            sys.exit("layday: there are no alarms to answer")
        desk.acknowledge([alarm], BY, order.clock().now())


@contextmanager
def _desk(order: Order, config: Config, *, read_only: bool = False) -> Iterator[Desk | None]:
    path = alarm_path(Path(order.store_file))
    file = open_alarm_file(path, read_only=read_only) if path.exists() else None
    try:
        yield None if file is None else desk_of(file, config)
    finally:
        if file is not None:
            file.close()
