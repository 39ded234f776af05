"""`layday schema`: what the JSON of a command holds, as a JSON Schema."""

from importlib.resources import files
from typing import Annotated

import typer

from collector.errors import InputError
from collector.nearest import did_you_mean
from dashboards.session import Session

SCHEMAS = files("dashboards") / "schemas"


def schema_names() -> list[str]:
    """Return the names of the published schemas."""
    return sorted(
        entry.name.removesuffix(".json") for entry in SCHEMAS.iterdir() if entry.name.endswith(".json")
    )


def schema(
    ctx: typer.Context,
    name: Annotated[
        str | None, typer.Argument(help="As in now, tonight, cure; left out, lists them.")
    ] = None,
) -> None:
    """Print the JSON Schema of what a command answers with --json."""
    session: Session = ctx.obj
    there = schema_names()
    if name is None:
        for known in there:
            session.console.print(known, markup=False)
        return
    if name not in there:
        raise InputError(
            f"no schema is called {name!r}; there are {', '.join(there)}{did_you_mean(name, there)}"
        )
    session.console.out((SCHEMAS / f"{name}.json").read_text(encoding="utf-8"), end="", highlight=False)
