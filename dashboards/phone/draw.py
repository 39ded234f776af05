"""The process that draws the page: reads the newest outlook, writes a `Drawing` as JSON, and ends."""

import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC
from html import escape
from pathlib import Path

from dashboards.cure_view import cure_json
from dashboards.heater_view import heater_json
from dashboards.phone.alarms import alarm_rows, alarms_view, config_of, read_alarms
from dashboards.phone.chart import chart
from dashboards.phone.parts import bays_part, cures_part, first_part, heater_part, notes_part, windows_part
from dashboards.view import Reader, now_json
from dashboards.watch_view import Sight, first_matter
from dashboards.window_view import windows_json
from forecast.outlook import Outlook, ShedNow
from forecast.outlook_book import open_outlooks
from forecast.outlook_json import dump_outlook
from forecast.outlook_order import read_order


def draw(
    outlook: Outlook, reader: Reader, alarms: Sequence[tuple[str, str]] = (), alarms_json: str = "{}"
) -> dict[str, object]:
    """Return an outlook drawn for the page, as `dashboards.phone.board.Drawing` has it."""
    now = ShedNow(outlook.shed, outlook.issued_at, tuple(bay.now for bay in outlook.bays))
    sight = Sight(outlook.issued_at, outlook.shed, now, outlook, outlook.cures)
    matter = first_matter(sight, reader)
    if outlook.mistakes:
        matter = replace(
            matter,
            verdict=outlook.verdict,
            word=outlook.verdict.value.upper(),
            why="; ".join(outlook.mistakes),
        )
    return {
        "shed": escape(outlook.shed),
        "verdict": matter.verdict.value,
        "word": escape(matter.word),
        "issued_at": outlook.issued_at.isoformat(),
        "issued_words": reader.clock(outlook.issued_at, outlook.issued_at),
        "heard_at": None if outlook.heard_at is None else outlook.heard_at.isoformat(),
        "heard_words": "" if outlook.heard_at is None else reader.clock(outlook.heard_at, outlook.issued_at),
        "first": first_part(matter),
        "rest": "".join(
            (
                cures_part(outlook, reader),
                bays_part(outlook, reader),
                windows_part(outlook, reader),
                heater_part(outlook, reader),
                chart(outlook, reader),
                notes_part(outlook),
            )
        ),
        "alarms": alarms,
        "views": {**views(outlook, now, reader), "alarms": alarms_json},
    }


def views(outlook: Outlook, now: ShedNow, reader: Reader) -> Mapping[str, str]:
    """Return every view as JSON text, by its name; each says its schema."""
    windows = [found for bay in outlook.bays for found in bay.windows]
    tonight = {
        "schema": "layday/tonight/1",
        "at": f"{outlook.issued_at.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}",
        "cures": [cure_json(cure, reader) for cure in outlook.cures],
        "mistakes": list(outlook.mistakes),
    }
    return {
        "outlook": dump_outlook(outlook),
        "now": json.dumps(now_json(now, reader)),
        "tonight": json.dumps(tonight),
        "heater": json.dumps([heater_json(bay.heater) for bay in outlook.bays if bay.heater is not None]),
        "windows": json.dumps(windows_json(windows, outlook.issued_at, outlook.notes)),
    }


def main() -> None:
    """Draw the newest outlook of the order on standard input; write nothing where there is none."""
    order = read_order(sys.stdin.buffer.readline())
    config = config_of(order)
    book = open_outlooks(Path(order.outlook_file), read_only=True)
    if book is None:
        return
    try:
        outlook = book.newest()
    finally:
        book.close()
    if outlook is not None:
        reader = Reader(config.shed.zone, config.shed.units)
        watch = read_alarms(order, config)
        rows = alarm_rows(watch, order.clock().now(), reader)
        sys.stdout.write(json.dumps(draw(outlook, reader, rows, alarms_view(watch))))
