"""`layday record`: what a cure was, in one file for others to read."""

import json
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from collector.errors import InputError
from dashboards.session import EXIT_CODES, Session
from dashboards.terminal.saying import say
from forecast.verdict import Verdict

if TYPE_CHECKING:
    from dashboards.record.document import Block

_WRITERS = (".html", ".pdf", ".png")


def record(  # noqa: PLR0913, PLR0917  one parameter per option
    ctx: typer.Context,
    what: Annotated[str | None, typer.Argument(help="A cure, as k1, or a part: all its cures.")] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="The file: .html, or .pdf or .png with layday[report].")
    ] = None,
    at: Annotated[str | None, typer.Option("--at", help="As known at this time.")] = None,
    season: Annotated[
        bool, typer.Option("--season", help="Of a season instead: fuel, hours lost, lots.")
    ] = False,
    start: Annotated[
        str | None, typer.Option("--from", help="The season's beginning; else a year ago.")
    ] = None,
    verify: Annotated[
        Path | None, typer.Option("--verify", help="Compare an .html record with what is kept now.")
    ] = None,
) -> None:
    """Write the record of a cure, of every cure of a part, or of a season, into one file.

    The same data give the same bytes. --verify ends with 0 if the record still says what is kept, 10 if not.
    """
    session: Session = ctx.obj
    if verify is not None:
        _verify(session, verify)
    if season:
        _write_season(session, start, out, at)
        return
    if what is None:
        raise InputError("which cure or part? as in 'layday record k1'; 'layday cure list --all' shows them")
    _write(session, what, out, at)


def _write(session: Session, what: str, out: Path | None, at: str | None) -> None:
    from dashboards.cures import read_book
    from dashboards.record.cure_words import cure_blocks
    from dashboards.record.gather import cures_named, gather
    from dashboards.record.verify import about_cures

    file = _file(out, what)
    book = read_book(session)
    found = gather(session, book, cures_named(book, what), session.moment(at))
    blocks = [
        block
        for data in found
        for block in cure_blocks(
            data, session.reader, dict(session.config.sensors), session.config.calibration
        )
    ]
    title = f"{session.config.shed.name}: {what}"
    _put(session, file, title, blocks, about_cures(session.config.shed.name, found))


def _write_season(session: Session, start: str | None, out: Path | None, at: str | None) -> None:
    from dashboards.cures import read_book
    from dashboards.record.season import season_blocks

    file = _file(out, "season")
    end = session.moment(at)
    begin = end - timedelta(days=365) if start is None else session.moment(start, "--from")
    blocks = list(season_blocks(session, read_book(session), begin, end))
    about = {"schema": "layday/season/1", "shed": session.config.shed.name}
    _put(session, file, f"{session.config.shed.name}: season", blocks, about)


def _file(out: Path | None, what: str) -> Path:
    file = out or Path(f"{_stem(what)}.html")
    if file.suffix.lower() not in _WRITERS:
        raise InputError(f"--out {file}: give a file that ends in .html, .pdf or .png")
    return file


def _put(
    session: Session, file: Path, title: str, blocks: "list[Block]", about: Mapping[str, object]
) -> None:
    """Write the blocks in the form that the file's ending says."""
    from dashboards.record.html import html_file

    try:
        if file.suffix.lower() == ".html":
            text = html_file(title, blocks, about)
            file.write_text(text, encoding="utf-8", newline="\n")
            written = [file]
        else:
            from dashboards.record.pdf import write_paper

            written = write_paper(title, blocks, file)
    except OSError as error:
        raise InputError(f"--out {file}: cannot be written: {error.strerror}") from error
    if session.json:
        answer = {"schema": "layday/record-written/1", "files": [str(one) for one in written]}
        session.console.print_json(json.dumps(answer))
        return
    for one in written:
        session.console.print(f"{one} written.", soft_wrap=True, markup=False)


def _verify(session: Session, file: Path) -> None:
    from dashboards.cures import read_book
    from dashboards.record.verify import differences

    try:
        text = file.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"--verify {file}: cannot be read: {error}") from error
    raw = session.open_raw_store()
    try:
        said = differences(text, raw, read_book(session))
    except InputError as error:
        raise InputError(f"--verify {file}: {error}") from error
    finally:
        raw.close()
    if session.json:
        answer = {"schema": "layday/record-check/1", "agrees": not said, "differences": said}
        session.console.print_json(json.dumps(answer))
    else:
        say(session.console, said or ["The record says what is kept."], plain=session.plain)
    raise typer.Exit(EXIT_CODES[Verdict.NO_GO if said else Verdict.GO])


def _stem(what: str) -> str:
    """Make a file's name of a part's: no folder, nothing a shell minds."""
    return "".join(c if c.isalnum() or c in "-_" else "-" for c in what.lower()).strip("-") or "record"
