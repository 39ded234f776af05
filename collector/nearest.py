"""What somebody probably meant by a word that is none."""

from collections.abc import Iterable
from difflib import get_close_matches


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``; did you mean 'keel'?`` for a word near a known one; empty where none is near.

    >>> did_you_mean("kell", ["keel", "sheer"]), did_you_mean("stem", ["keel"])
    ("; did you mean 'keel'?", '')
    """
    by_short = {name.lower(): name for name in known}
    near = get_close_matches(word.lower(), list(by_short), n=1, cutoff=0.6)
    return f"; did you mean '{by_short[near[0]]}'?" if near else ""
