"""`layday check`: configuration, daemon, sensors, clock, and what was put aside."""

import json
from dataclasses import asdict
from datetime import datetime
from typing import Annotated

import typer

from collector.errors import StoreError
from dashboards.health import Health, examine, outlook_age
from dashboards.session import EXIT_CODES, Session, usual_config_path
from dashboards.settings import setting_lines
from dashboards.terminal.render.check import check_sentences, check_text, files_text, sensor_words
from dashboards.terminal.saying import say
from dashboards.view import Reader
from forecast.verdict import Verdict


def check(
    ctx: typer.Context,
    settings: Annotated[
        bool, typer.Option("--settings", help="Show every setting, its value here and its default.")
    ] = False,
) -> None:
    """Check the configuration, the sensors seen (age and quality of each), the clock, and bad messages."""
    session: Session = ctx.obj
    if settings:
        for line in setting_lines(session.config):
            session.console.print(line, soft_wrap=True, markup=False)
        return
    session.need_own_files()  # it tells how this installation is
    where = str(session.config_path or f"none in {usual_config_path()}, so every default holds")
    try:
        store = session.open_store(read_only=True)
    except StoreError as error:
        if not session.json:
            session.console.print(f"Configuration: {where}", soft_wrap=True, markup=False)
        raise StoreError(f"{error}; 'layday run' makes the store") from error
    try:
        stale_after_s = session.limits.stale_after_s
        now, has_feeds = session.clock.now(), bool(session.config.feed)
        health = examine(store, session.config.sensors, stale_after_s, now, has_feeds=has_feeds)
    finally:
        store.close()
    if session.json:
        session.console.print_json(json.dumps(_check_json(health, session.reader), default=str))
    else:
        files = where, str(session.store_path)
        outlook = outlook_age(_outlook_made_at(session), now)
        if session.plain:
            say(session.console, check_sentences(health, files, session.reader, outlook), plain=True)
        else:
            session.console.print(files_text(*files), soft_wrap=True)
            session.console.print(check_text(health, session.reader, session.console.width, outlook))
    raise typer.Exit(0 if health.is_well else EXIT_CODES[Verdict.NO_NEWS])


def _outlook_made_at(session: Session) -> datetime | None:
    from forecast.outlook_book import open_outlooks

    outlooks = open_outlooks(session.outlook_path, read_only=True)
    if outlooks is None:
        return None
    try:
        return outlooks.newest_at()
    finally:
        outlooks.close()


def _check_json(health: Health, reader: Reader) -> dict[str, object]:
    """Return ``layday/check/1``."""
    return {
        "schema": "layday/check/1",
        "at": health.at.isoformat().replace("+00:00", "Z"),
        "well": health.is_well,
        "daemon": {"well": health.daemon_well, "words": health.daemon_words},
        "sources": list(health.source_words),
        "clock": health.clock_words,
        "sensors": [asdict(sensor) | {"words": sensor_words(sensor, reader)} for sensor in health.sensors],
        "rejected": {
            "counts": dict(health.rejected_counts),
            "newest": [
                {
                    "at": item.received_at.isoformat().replace("+00:00", "Z"),
                    "source": item.source,
                    "topic": item.topic,
                    "reason": item.reason,
                    "payload_head": item.payload_head.decode("utf-8", "backslashreplace"),
                    "size_bytes": item.size_bytes,
                }
                for item in health.newest_rejected
            ],
        },
    }
