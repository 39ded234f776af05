"""Check values from outside the project, and how a test reads them."""

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

FOLDER = Path(__file__).parent


def rows(name: str) -> Sequence[Mapping[str, str]]:
    """Return the rows of a file of check values."""
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))
