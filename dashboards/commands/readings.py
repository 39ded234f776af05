"""`layday import` and `layday export`: readings from and to wide CSV."""

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from dashboards.session import Session

_FileArgument = Annotated[Path, typer.Argument(help="A .csv or .csv.gz file.")]
