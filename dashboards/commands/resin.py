"""`layday resin`: the cards there are, what one says, what is odd in one, and writing one."""

import json
import re
from pathlib import Path
from typing import Annotated

import typer

from collector.errors import InputError
from dashboards.plots import check_plot, draw_plot
from dashboards.resin_dialogue import ask_for_card
from dashboards.resin_text import card_json, card_lines, card_sentences
from dashboards.session import EXIT_CODES, Session
from dashboards.terminal.saying import say
from forecast.card_check import Kind, Remark, check_card
from forecast.card_files import card_keys, find_card, load_card
from forecast.verdict import Verdict

app = typer.Typer(no_args_is_help=True, help="Resin cards: the numbers of a resin's data sheet.")

CardArgument = Annotated[str, typer.Argument(help="A card's key, or a .toml file.")]


@app.command("list")
def list_cards(ctx: typer.Context) -> None:
    """List the cards there are: yours, then those that come with layday (generic, of no maker)."""
    session: Session = ctx.obj
    cards = [find_card(key, session.card_folders) for key in card_keys(session.card_folders)]
    if session.json:
        found = [
            {"key": c.key, "name": c.name, "family": c.family.value, "generic": c.generic} for c in cards
        ]
        session.console.print_json(json.dumps({"schema": "layday/resins/1", "cards": found}))
        return
    widest = 0 if session.plain else max(len(card.key) for card in cards)
    gap = ": " if session.plain else "  "
    say(
        session.console,
        [f"{card.key:<{widest}}{gap}{card.name} ({card.family})" for card in cards],
        plain=session.plain,
    )


@app.command()
def show(
    ctx: typer.Context,
    card: CardArgument,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Draw its gel times into this .png file too.")
    ] = None,
) -> None:
    """Show what a card says and where each number is from."""
    check_plot(plot)
    session: Session = ctx.obj
    found = find_card(card, session.card_folders)
    if plot is not None:
        from dashboards.panels import gel_panels

        draw_plot(gel_panels(found, session.reader), plot)
    if session.json:
        session.console.print_json(json.dumps(card_json(found)))
        return
    lines = card_sentences if session.plain else card_lines
    say(session.console, lines(found, session.reader), plain=session.plain)


@app.command()
def check(ctx: typer.Context, card: CardArgument) -> None:
    """Say what a card lacks, and what in it is implausible or contradicts itself.

    Ends with 0 if nothing is to be said, 10 if the card contradicts itself, 11 if something
    is missing or implausible, 2 if the file cannot be read as a card.
    """
    session: Session = ctx.obj
    found = find_card(card, session.card_folders)
    remarks = check_card(found)
    if session.json:
        _print_json(session, found.key, remarks)
    else:
        lines = [str(remark) for remark in remarks] or [f"{found.key}: nothing to remark"]
        say(session.console, lines, plain=session.plain)
    raise typer.Exit(_exit_code(remarks))


@app.command()
def new(
    ctx: typer.Context,
    out: Annotated[
        Path | None, typer.Option("--out", help="The file to write; else in your cards folder.")
    ] = None,
) -> None:
    """Ask through a data sheet and write a card; °F and other units are taken and converted."""
    session: Session = ctx.obj
    text = ask_for_card(_ask, lambda words: typer.echo(f"  {words}", err=True))
    path = out or session.card_folders[0] / f"{_file_stem(text)}.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise InputError(f"{path}: is there already; name another file with --out\n{text}") from None
    remarks = check_card(load_card(path))
    if session.json:
        _print_json(session, path.stem, remarks)
        return
    typer.echo(f"{path} written.")
    for remark in remarks:
        typer.echo(f"  {remark}")
    typer.echo(f"Hold it against the sheet: layday resin show {path.stem if out is None else path}")


def _print_json(session: Session, card: str, remarks: list[Remark]) -> None:
    listed = [{"key": one.key, "kind": one.kind.value, "words": one.words} for one in remarks]
    session.console.print_json(
        json.dumps({"schema": "layday/resin-check/1", "card": card, "remarks": listed})
    )


def _ask(question: str) -> str:
    return str(typer.prompt(question, default="", show_default=False))


def _exit_code(remarks: list[Remark]) -> int:
    if any(remark.kind is Kind.CONTRADICTORY for remark in remarks):
        return EXIT_CODES[Verdict.NO_GO]
    return EXIT_CODES[Verdict.TIGHT if remarks else Verdict.GO]


def _file_stem(card_text: str) -> str:
    """Make a key from the card's name: what the file is called and what commands call the card."""
    name = re.search(r'^name = "(.*)"$', card_text, re.MULTILINE)
    return re.sub(r"[^a-z0-9]+", "-", name[1].lower() if name else "").strip("-") or "card"
