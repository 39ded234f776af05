"""`layday password`: a sensor's password for the listener, kept only as a hash."""

from typing import Annotated

import typer

from collector.passwords import hash_password
from dashboards.session import Session


def password(
    ctx: typer.Context, name: Annotated[str, typer.Argument(help="The sensor's user name.")]
) -> None:
    """Ask for a password and print the line for the listener's password file; only a hash is kept."""
    session: Session = ctx.obj
    secret = typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
    session.console.print(f"{name}:{hash_password(secret)}", soft_wrap=True, markup=False)
    typer.echo("Put this line into the file that listener.password_file names (chmod 600).", err=True)
