"""The alarms for the page, and the one thing the page may change: that somebody has seen one."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from pathlib import Path

from collector.config import Config, load_config
from dashboards.notify.alarm_file import alarm_path, open_alarm_file
from dashboards.notify.desk import Desk, alarms_json
from dashboards.notify.sayings import saying
from dashboards.notify.service import desk_of
from dashboards.notify.states import Standing
from dashboards.notify.watch import Watch
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


def alarm_rows(watch: Watch, order: Order, reader: Reader) -> list[list[str]]:
    """Return what stands as (name, words, what to do), ready for HTML; the name is empty once it was seen."""
    at = order.clock().now()
    rows = []
    for alarm in watch.alarms:
        if alarm.standing is Standing.NORMAL:
            continue
        said = saying(alarm, reader, at)
        words = f"{alarm.name}, {alarm.standing.value} since {reader.clock(alarm.since, at)}: {said.what}."
        do = f"To do: {said.do}." if alarm.is_live else ""
        rows.append([alarm.name if alarm.standing in _UNSEEN else "", escape(words), escape(do)])
    return rows


def alarms_view(watch: Watch) -> str:
    """Return ``layday/alarms/1`` as text."""
    return json.dumps(alarms_json(watch))


def main() -> None:
    """Mark an alarm as seen: the order on the first line of standard input, the alarm on the second."""
    order = read_order(sys.stdin.buffer.readline())
    alarm = sys.stdin.buffer.readline().decode("ascii").strip()
    with _desk(order, config_of(order)) as desk:
        if desk is not None:
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
