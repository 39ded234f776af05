"""An outlook as versioned JSON and back, ``layday/outlook/1``: the same for store, broker and screens.

Fields are those of `forecast.outlook` and `forecast.cure_outlook`; times ISO 8601 in UTC, numbers
in the unit their name ends in. Readers ignore fields they do not know, so that fields may be added.
"""

import json
from functools import cache

from pydantic import TypeAdapter, ValidationError

from collector.errors import InputError
from forecast.outlook import Outlook

SCHEMA = "layday/outlook/1"


@cache
def _adapter() -> TypeAdapter[Outlook]:
    """Build the reader and writer once: it takes longer than an outlook."""
    return TypeAdapter(Outlook)


def outlook_json(outlook: Outlook) -> dict[str, object]:
    """Return an outlook as plain JSON values."""
    return {
        "schema": SCHEMA,
        "verdict": outlook.verdict.value,
        **_adapter().dump_python(outlook, mode="json"),
    }


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
        return _adapter().validate_python(raw)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise InputError(f"outlook: {where}: {first['msg']}") from error


def outlook_schema() -> dict[str, object]:
    """Return the JSON Schema of ``layday/outlook/1``."""
    schema = _adapter().json_schema(mode="serialization")
    return {"$id": SCHEMA, **schema}
