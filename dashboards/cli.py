"""The command `layday`: wires everything, and turns errors into words and exit codes."""

import logging
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from io import TextIOWrapper
from shutil import get_terminal_size
from typing import Annotated

import typer
from typer.exceptions import TyperException

from collector.errors import ConfigError, InputError, LaydayError
from collector.nearest import did_you_mean
from dashboards.session import open_session
from dashboards.terminal.signs import ERRORS, speaks_utf8

EXIT_STOPPED = 1
EXIT_USAGE = 2
EXIT_CANNOT_WORK = 3
_VALUE_OPTIONS = ("--config", "--store")
_FLAG_OPTIONS = ("--json", "--plain", "--verbose")


def _globals_first(args: Sequence[str]) -> list[str]:
    """Take the global options wherever they stand on the line, as tired people type them."""
    moved: list[str] = []
    rest: list[str] = []
    left = iter(args)
    for word in left:
        if word == "--":
            rest += [word, *left]
        elif word in _FLAG_OPTIONS or word.startswith(tuple(f"{name}=" for name in _VALUE_OPTIONS)):
            moved.append(word)
        elif word in _VALUE_OPTIONS:
            moved += [word, *([value] if (value := next(left, None)) is not None else [])]
        else:
            rest.append(word)
    return moved + rest


# A command's name, and where it is: only the one that is asked for is loaded, so that it answers at once.
COMMANDS = {
    "now": "now:now",
    "tonight": "tonight:tonight",
    "watch": "watch:watch",
    "ahead": "ahead:ahead",
    "windows": "windows:windows_command",
    "heater": "heater:heater",
    "plan": "plan:plan_command",
    "mix": "mix:mix_command",
    "cure": "cure:app",
    "cup": "cure:cup",
    "resin": "resin:app",
    "record": "record:record",
    "phone": "phone:phone",
    "run": "run:run",
    "check": "check:check",
    "listen": "listen:listen",
    "store": "store:store",
    "forward": "forward:app",
    "yard": "yard:yard_command",
    "import": "readings:import_readings",
    "export": "readings:export_readings",
    "hindcast": "hindcast:hindcast",
    "alarms": "alarms:app",
    "notify": "notify:app",
    "salt": "salt:salt",
    "schema": "schema:schema",
    "password": "password:password",
    "demo": "demo:demo",
}
# each in one line of a narrow terminal's list; the command's own help says the rest
_SHORT = {
    "now": "Is each bay fit to glass, and why.",
    "tonight": "Is every live cure on track.",
    "watch": "The live screen.",
    "ahead": "Air and part in the next 48 h.",
    "windows": "When a job can be started.",
    "heater": "Will it overshoot; fuel left.",
    "plan": "When a row of jobs can be done.",
    "mix": "How much hardener, how big a pot.",
    "cure": "Batches laid, what was seen.",
    "cup": "Enter a cup test.",
    "resin": "Resin cards.",
    "record": "Write the record of a cure.",
    "phone": "The link to the phone page.",
    "run": "Take readings, until stopped.",
    "check": "Sensors, daemon, configuration.",
    "listen": "Find sensors, propose settings.",
    "store": "The store's size, gaps, backup.",
    "forward": "Copying to the yard's store.",
    "yard": "Every shed in one line.",
    "import": "Read a CSV file into the store.",
    "export": "Write readings to a file.",
    "hindcast": "How good were the forecasts.",
    "alarms": "What stands; answer it.",
    "notify": "Try the channels.",
    "salt": "Calibrate a sensor over salts.",
    "schema": "What --json answers hold.",
    "password": "A line for the password file.",
    "demo": "A simulated shed, live.",
}
_HELP = """Is tonight's cure on track? Is it too humid to glass? Will the heater overshoot?

layday advises; the resin maker's data sheet and local rules decide.
"""
# by the phases of the work; what is typed, and what it answers
_PHASES = (
    ("BEFORE", "layday windows", "when can I lay up"),
    ("", "layday now", "is it too damp right now"),
    ("", "layday heater", "will it overshoot"),
    ("", "layday mix -c CARD --bay keel -w 35min", "how much catalyst, how big a pot"),
    ("WHILE WET", "layday cure start keel hull -c CARD -p 1.5", "a batch is laid"),
    ("", "layday cure mark gel", "it just went off: what now"),
    ("", "layday cure when ply", "bond, sand or wait"),
    ("OVERNIGHT", "layday tonight", "is every cure on track"),
    ("", "layday watch", "all of it, live"),
    ("AFTER", "layday cure when grind", "when can I grind"),
    ("", "layday cure show k1", "what it had, and its entries"),
    ("SEASON", "layday run, listen, check", "readings, sensors, health"),
    ("", "layday export, store --backup", "keep what was measured"),
    ("", "layday cup 27min -t 18C", "what a new drum does"),
)
_HELP_CELLS = 76
_EPILOG = """Exit codes: 0 go, 10 no-go, 11 tight, 12 no news; 2 a mistake in the command or the
configuration, 3 layday cannot work. --config, --store, --json and --plain may stand anywhere on the line.
"""


def _help(columns: int) -> str:
    """Return the help by phases of the work; on a narrow terminal each answer stands below its command."""
    lines = [_HELP, "\b"]
    for phase, typed, answers in _PHASES:
        if columns >= _HELP_CELLS:
            # what is too long for its column is its own example
            lines.append(f"{phase:<12} {typed:<31} {answers}" if len(typed) < 32 else f"{phase:<12} {typed}")  # noqa: PLR2004
        else:
            lines += [*([phase] if phase else []), f"  {typed}", f"      {answers}"]
    return "\n".join(lines)


def build_app(only: str | None = None) -> typer.Typer:
    """Return the command line, with all commands or with `only` one of them."""
    app = typer.Typer(
        no_args_is_help=True,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
        help=_help(get_terminal_size().columns),
        epilog=_EPILOG,
    )
    app.callback()(_globals)
    for name, place in COMMANDS.items():
        if only in (None, name):
            module, _, attribute = place.partition(":")
            command = getattr(import_module(f"dashboards.commands.{module}"), attribute)
            if isinstance(command, typer.Typer):
                app.add_typer(command, name=name, short_help=_SHORT[name])
            else:
                app.command(name, short_help=_SHORT[name])(command)
    return app


def _globals(
    ctx: typer.Context,
    config: Annotated[str | None, typer.Option(help="The configuration file (or set LAYDAY_CONFIG).")] = None,
    store: Annotated[
        str | None, typer.Option(help="Another store: a file, or a shed's at influx://HOST/BUCKET/SHED.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Answer in JSON.")] = False,
    plain: Annotated[bool, typer.Option("--plain", help="Answer in plain sentences.")] = False,
    verbose: Annotated[bool, typer.Option("--verbose", help="Log what happens inside.")] = False,
) -> None:
    logging.basicConfig(
        level=logging.INFO if verbose else logging.WARNING, format="%(levelname)s %(name)s: %(message)s"
    )
    ctx.obj = open_session(config, store=store, json=json, plain=plain)


def _without_command(words: list[str]) -> None:
    """Answer `layday` alone, and name the command that a misspelt one is nearest to."""
    given: dict[str, str] = {}
    left = iter(words)
    for word in left:
        name, _, value = word.partition("=")
        if name in _VALUE_OPTIONS:
            given[name] = value or next(left, "")
        elif word in _FLAG_OPTIONS:
            given[word] = word
        elif word.startswith("-"):
            return  # --help and completion are typer's
        else:
            near = did_you_mean(word, COMMANDS) or "; 'layday --help' lists them"
            raise InputError(f"{word!r} is no command{near}")
    from dashboards.commands.overview import overview

    session = open_session(
        given.get("--config"), store=given.get("--store"), json="--json" in given, plain="--plain" in given
    )
    sys.exit(overview(session))


def _misused(error: TyperException) -> str:
    """Say what is wrong with a line that was typed; where only a command is missing, its help says more."""
    words = error.format_message()
    typed = getattr(getattr(error, "ctx", None), "command_path", "layday")
    if "\n" in words:
        return words
    return f"{words[:1].lower()}{words[1:].removesuffix('.')}; '{typed} --help' says more"


def _complain(words: str) -> None:
    """Write to standard error, where errors go: under our name, or as a sentence for ears."""
    lines = words.splitlines()
    if "--plain" in sys.argv and len(lines) == 1:
        from dashboards.terminal.saying import capital, sentence

        lines = [sentence(capital(words))]
    elif len(lines) == 1 or not words.startswith("Usage"):
        lines = [f"layday: {line}" for line in lines]
    print("\n".join(lines), file=sys.stderr)  # noqa: T201


def main() -> None:
    """Run the command line; errors that layday raises on purpose become words, not tracebacks."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            if stream.isatty() and not speaks_utf8(os.environ):
                stream.reconfigure(encoding="ascii")  # Python takes UTF-8 where no locale is named
            if "utf" not in stream.encoding.lower():
                stream.reconfigure(errors=ERRORS)  # a sign the terminal lacks must not cost the answer
    try:
        words = _globals_first(sys.argv[1:])
        asked = next((word for word in words if word in COMMANDS), None)
        if asked is None and "_LAYDAY_COMPLETE" not in os.environ:
            _without_command(words)
        sys.exit(build_app(asked)(args=words, prog_name="layday", standalone_mode=False))
    except LaydayError as error:
        _complain(str(error))
        sys.exit(EXIT_USAGE if isinstance(error, ConfigError | InputError) else EXIT_CANNOT_WORK)
    except TyperException as error:
        _complain(_misused(error))
        sys.exit(error.exit_code)
    except typer.Abort:
        _complain("stopped before anything was done")
        sys.exit(EXIT_STOPPED)
    except BrokenPipeError:
        sys.exit(0)
