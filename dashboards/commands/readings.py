"""`layday import` and `layday export`: readings from and to wide CSV."""

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from collector.wide_csv import Problem, import_wide_csv, write_wide_csv
from dashboards.session import Session

_PROBLEMS_SHOWN = 20
_FileArgument = Annotated[Path, typer.Argument(help="A .csv or .csv.gz file.", metavar="FILE")]


def import_readings(ctx: typer.Context, file: _FileArgument) -> None:
    """Read a wide CSV file (time, <place>.<quantity> …) into the store; twice changes nothing."""
    session: Session = ctx.obj
    problems: list[Problem] = []
    store = session.open_store()
    try:
        with _bar("Importing", quiet=session.json or session.plain) as move:
            done = import_wide_csv(store, file, report=problems.append, progress=move)
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
    file: _FileArgument,
    start: Annotated[str | None, typer.Option("--from", help="From this time on.")] = None,
    end: Annotated[str | None, typer.Option("--to", help="Until before this time.")] = None,
) -> None:
    """Write the store's readings to a wide CSV file, whole or not at all."""
    session: Session = ctx.obj
    since = session.moment(start, "--from") if start else None
    until = session.moment(end, "--to") if end else None
    store = session.open_store(read_only=True)
    try:
        with _bar("Exporting", quiet=session.json or session.plain) as move:
            count = write_wide_csv(store, file, start=since, end=until, progress=move)
    finally:
        store.close()
    if session.json:
        session.console.print_json(
            json.dumps({"schema": "layday/export/1", "file": str(file), "readings": count})
        )
    else:
        session.console.print(f"{file}: {count} readings written.", soft_wrap=True, markup=False)


@contextmanager
def _bar(words: str, *, quiet: bool) -> Iterator[Callable[[int, int], None]]:
    """Show a progress bar on standard error, so that the answer itself stays clean."""
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True, disable=quiet) as progress:
        task = progress.add_task(words, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)
