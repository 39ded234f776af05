"""`layday import` and `layday export`: readings from wide CSV, and to wide CSV or Parquet."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from collector.parquet import write_parquet
from collector.wide_csv import Problem, import_wide_csv, write_wide_csv
from dashboards.session import Session

_PROBLEMS_SHOWN = 20
_FileArgument = Annotated[Path, typer.Argument(help="A .csv or .csv.gz file.", metavar="FILE")]


def import_readings(ctx: typer.Context, file: _FileArgument) -> None:
    """Read a wide CSV file (time, <place>.<quantity>, ...) into the store; twice changes nothing."""
    session: Session = ctx.obj
    problems: list[Problem] = []
    store = session.open_store()
    try:
        with _bar("Importing", quiet=session.json or session.plain) as move:
            done = import_wide_csv(store, file, report=problems.append, progress=move)
        store.compact(session.clock.now())
    finally:
        store.close()
    added = done.added
    if session.json:
        answer = {
            "schema": "layday/import/1",
            "file": str(file),
            "new": added.new,
            "repeated": added.repeated,
            "conflicting": added.conflicting,
            "skipped": [str(problem) for problem in problems],
        }
        session.console.print_json(json.dumps(answer))
        return
    words = f"{added.new} readings kept"
    if added.repeated:
        words += f", {added.repeated} were there already"
    if added.conflicting:
        words += f", {added.conflicting} left out: their sensor has another value at that time"
    session.console.print(f"{file}: {words}.", soft_wrap=True, markup=False)
    for problem in problems[:_PROBLEMS_SHOWN]:
        session.console.print(f"skipped {problem}", soft_wrap=True, markup=False)
    if len(problems) > _PROBLEMS_SHOWN:
        session.console.print(f"skipped {len(problems) - _PROBLEMS_SHOWN} more lines or cells.")


def export_readings(
    ctx: typer.Context,
    file: Annotated[Path, typer.Argument(help="A .csv, .csv.gz or .parquet file.", metavar="FILE")],
    start: Annotated[str | None, typer.Option("--from", help="From this time on.")] = None,
    end: Annotated[str | None, typer.Option("--to", help="Until before this time.")] = None,
    raw: Annotated[bool, typer.Option("--raw", help="As measured, without calibration.")] = False,
) -> None:
    """Write the store's readings to a wide CSV or a Parquet file, whole or not at all.

    Calibrated sensors are written corrected, and the answer says so. Take --raw for a file that is to be
    imported again: what is imported counts as measured.
    """
    session: Session = ctx.obj
    since = session.moment(start, "--from") if start else None
    until = session.moment(end, "--to") if end else None
    write = write_parquet if file.suffix == ".parquet" else write_wide_csv
    store = session.open_raw_store() if raw else session.open_store(read_only=True)
    try:
        with _bar("Exporting", quiet=session.json or session.plain) as move:
            count = write(store, file, start=since, end=until, progress=move)
    finally:
        store.close()
    calibrated = [] if raw else sorted(session.config.corrections)
    if session.json:
        answer = {"schema": "layday/export/1", "file": str(file), "readings": count, "corrected": calibrated}
        session.console.print_json(json.dumps(answer))
        return
    how = f"{', '.join(calibrated)} corrected as calibrated; --raw gives them" if calibrated else "all"
    session.console.print(
        f"{file}: {count} readings written, {how} as measured.", soft_wrap=True, markup=False
    )


@contextmanager
def _bar(words: str, *, quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """Show a progress bar on standard error, so that the answer itself stays clean."""
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True, disable=quiet) as progress:
        task = progress.add_task(words, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)
