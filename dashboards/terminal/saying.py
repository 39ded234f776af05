"""Sentences on a terminal: broken between words, never between a number and its unit."""

from collections.abc import Iterable

from rich.console import Console

from dashboards.terminal.render.now import wrapped


def say(console: Console, lines: Iterable[str], *, plain: bool = False) -> None:
    """Print sentences, each on lines that fit; `plain` leaves each on one line, at its beginning.

    What a line begins with, spaces or a mark as in ``- ``, hangs before the lines that follow it.
    """
    for line in lines:
        words = line.lstrip()
        hang = len(line) - len(words) + (2 if words[:2] in {"- ", "! ", "? ", "+ ", "~ ", "x "} else 0)
        if plain or not words:
            console.print(words, markup=False, soft_wrap=True)
            continue
        first, *rest = wrapped(line[hang:], max(console.width - hang, 10), " " * hang) or [""]
        for piece in (line[:hang] + first[hang:], *rest):
            console.print(piece, markup=False, soft_wrap=True)
