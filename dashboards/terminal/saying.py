"""Sentences on a terminal: broken between words, never between a number and its unit; or for ears."""

import re
from collections.abc import Iterable

from rich.console import Console

from dashboards.terminal.render.now import wrapped

_MARKS = ("- ", "! ", "? ", "+ ", "~ ", "x ")
_WORD = re.compile(r"[a-z]+,? ")
_BETWEEN = re.compile(r"(?<=[.!?]) (?=[A-Z])")


def say(console: Console, lines: Iterable[str], *, plain: bool = False) -> None:
    """Print sentences, each on lines that fit; `plain` as a screen reader says them well, one on a line.

    What a line begins with, spaces or a mark as in ``- ``, hangs before the lines that follow it.
    """
    for line in lines:
        words = line.lstrip()
        if plain or not words:
            for part in _BETWEEN.split(words):
                console.print(sentence(part), markup=False, soft_wrap=True)
            continue
        hang = len(line) - len(words) + (2 if words.startswith(_MARKS) else 0)
        first, *rest = wrapped(line[hang:], max(console.width - hang, 10), " " * hang) or [""]
        for piece in (line[:hang] + first[hang:], *rest):
            console.print(piece, markup=False, soft_wrap=True)


def sentence(line: str) -> str:
    """Return a line for ears: no mark, no columns, one colon at most, and a full stop after words.

    >>> sentence("! Gel  20.0 °C: 1.75 %: 28 min")
    'Gel, 20.0 °C: 1.75 %, 28 min.'
    """
    words = line.strip()
    if words.startswith(_MARKS):
        words = capital(words[2:].lstrip())
    head, colon, rest = re.sub(r" {2,}", ", ", words).partition(": ")
    words = head + colon + rest.replace(": ", ", ")
    return words if " " not in words or words.endswith((".", "!", "?", ":")) else f"{words}."


def capital(words: str) -> str:
    """Return words with a capital at their beginning, unless they begin with a name or a path.

    >>> capital("no such card"), capital("keel: dry")
    ('No such card', 'keel: dry')
    """
    return words[:1].upper() + words[1:] if _WORD.match(words) else words
