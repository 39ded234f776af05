"""`layday store`: how large the store is, what it spans, its gaps, whether it is whole; and a backup."""

import json
from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from collector.errors import InputError
from collector.store.backup import back_up
from collector.store.report import StoreReport, store_report
from dashboards.session import Session
from dashboards.terminal.saying import say

_MB = 1e6
_EXIT_DAMAGED = 10


def store(
    ctx: typer.Context,
    check: Annotated[bool, typer.Option("--check", help="Read all of it and look for damage.")] = False,
    backup: Annotated[
        Path | None, typer.Option(help="Copy it to this file, whole, while layday runs.")
    ] = None,
) -> None:
    """Tell the store's size, span, gaps and health; copy it while it is in use."""
    session: Session = ctx.obj
    if backup is not None:
        _back_up(session, backup)
        return
    if session.central is not None:
        raise InputError(f"--store {session.central}: is no file; its own tools tell its size")
    opened = session.open_store(read_only=True)
    try:
        report = store_report(opened, session.store_path, check=check)
    finally:
        opened.close()
    if session.json:
        session.console.print_json(json.dumps(report_json(report)))
    else:
        say(session.console, _lines(report, session), plain=session.plain)
    raise typer.Exit(_EXIT_DAMAGED if report.damage else 0)


def _back_up(session: Session, to: Path) -> None:
    """Copy the store, and the journal beside it where there is one: a cure is both."""
    files = []
    pairs = [(session.store_path, to), (session.journal_path, to.with_suffix(".journal.sqlite"))]
    for source, copy in pairs:
        if source == session.journal_path and not source.exists():
            continue
        size_bytes = back_up(source, copy)
        files.append({"path": str(copy), "size_bytes": size_bytes})
        if not session.json:
            words = f"{copy}: {size_bytes / _MB:.1f} MB written and checked."
            session.console.print(words, soft_wrap=True, markup=False)
    if session.json:
        session.console.print_json(json.dumps({"schema": "layday/backup/1", "files": files}))


def report_json(report: StoreReport) -> dict[str, object]:
    """Return ``layday/store/1``."""
    sensors = [
        {
            "name": one.name,
            "count": one.count,
            "first_at": _iso(one.first_at),
            "last_at": _iso(one.last_at),
            "step_s": None if one.step is None else one.step.total_seconds(),
            "gaps": [{"start": _iso(gap.start), "end": _iso(gap.end)} for gap in one.gaps],
        }
        for one in report.sensors
    ]
    return {
        "schema": "layday/store/1",
        "path": str(report.path),
        "size_bytes": report.size_bytes,
        "unused_bytes": report.unused_bytes,
        "disk_free_bytes": report.disk_free_bytes,
        "row_count": report.row_count,
        "chunk_count": report.chunk_count,
        "sensors": sensors,
        "damage": None if report.damage is None else list(report.damage),
    }


def _iso(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")


def _lines(report: StoreReport, session: Session) -> list[str]:
    now = session.clock.now()
    lines = [
        (
            f"{report.path}: {report.size_bytes / _MB:.1f} MB, {report.count} readings of "
            f"{len(report.sensors)} sensors; {report.disk_free_bytes / _MB:.0f} MB are free on the disk."
        )
    ]
    for sensor in report.sensors:
        span = f"{session.reader.clock(sensor.first_at, now)} to {session.reader.clock(sensor.last_at, now)}"
        gaps = f", {len(sensor.gaps)} gaps" if sensor.gaps else ""
        lines.append(f"  {sensor.name}: {sensor.count} readings, {span}{gaps}")
    if report.damage is None:
        lines.append("Not checked for damage; 'layday store --check' does.")
    else:
        lines += [f"! {words}" for words in report.damage] or ["No damage found."]
    return lines
