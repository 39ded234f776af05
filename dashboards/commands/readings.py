"""`layday import` and `layday export`: readings from and to wide CSV."""

from pathlib import Path
from typing import Annotated

import typer

_FileArgument = Annotated[Path, typer.Argument(help="A .csv or .csv.gz file.")]
