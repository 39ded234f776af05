"""An outlook as versioned JSON and back, ``layday/outlook/1``: the same for store, broker and screens.

Fields are those of `forecast.outlook` and `forecast.cure_outlook`; times ISO 8601 in UTC, numbers
in the unit their name ends in. Readers ignore fields they do not know, so that fields may be added.
"""

import json
from types import MappingProxyType

from collector.errors import InputError
from collector.plain import made, plain
from forecast.outlook import Outlook
from forecast.window_answer import JobWindows
from forecast.window_json import dump_windows, load_windows

SCHEMA = "layday/outlook/1"


_WRITTEN = MappingProxyType({JobWindows: dump_windows})


def outlook_json(outlook: Outlook) -> dict[str, object]:
    """Return an outlook as plain JSON values."""
    return {"schema": SCHEMA, "verdict": outlook.verdict.value, **plain(outlook, _WRITTEN)}


def dump_outlook(outlook: Outlook) -> str:
    """Return an outlook as JSON text.

    Raises
    ------
    ValueError
        If a number in it is not finite: JSON has none such.
    """
    return json.dumps(outlook_json(outlook), allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def load_outlook(text: str | bytes) -> Outlook:
    """Return the outlook that some JSON text holds.

    Raises
    ------
    InputError
        If it is no outlook, or one of a version that this layday does not know.
    """
    try:
        raw = json.loads(text)
    except ValueError as error:
        raise InputError(f"outlook: is not JSON: {error}") from error
    if not isinstance(raw, dict) or raw.get("schema") != SCHEMA:
        found = raw.get("schema") if isinstance(raw, dict) else type(raw).__name__
        raise InputError(
            f"outlook: schema: {found!r} is not {SCHEMA!r}; is it from another version of layday?"
        )
    try:
        return made(Outlook, raw, _READ)
    except ValueError as error:
        raise InputError(f"outlook: {error}") from error


def _windows(raw: dict[str, object]) -> JobWindows:
    try:
        return load_windows(raw)
    except (KeyError, TypeError) as error:
        raise ValueError(f"windows of a job: {error}") from error


_READ = MappingProxyType({JobWindows: _windows})
