"""One value per topic, and the fields of a JSON message, as named items."""

import re
from collections.abc import Iterator
from datetime import datetime

from collector.config_base import TimeUnit
from collector.domain import Quantity
from collector.feeds.items import Found, Item
from collector.feeds.words import WRITTEN_UNITS
from collector.sensor_units import converter
from collector.values import BadValueError, finite, number_of, parse_document, resolve, time_of

MAX_FIELDS = 1000
_DEEPEST = 8
_WITH_UNIT = re.compile(r"([+-]?(?:\d++\.?\d*+|\.\d++))\s*(\D{1,6})", re.ASCII)


def read_value(payload: bytes, name: str) -> Found:
    """Return the one value of a topic.

    Raises
    ------
    BadValueError
        If it is no number and no word.
    """
    document = parse_document(payload)
    if isinstance(document, dict | list):
        raise BadValueError("one value was expected, not a JSON document")
    return Found([Item(name, document)], [])


def written_number(value: object, quantity: Quantity) -> float | None:
    """Return the number of a text such as ``21.4 °C`` in the quantity's unit; None if it is not one.

    Raises
    ------
    BadValueError
        If its unit does not fit the quantity.

    >>> from collector.domain import QUANTITIES
    >>> written_number("50 °F", QUANTITIES["air_c"])
    10.0
    """
    found = _WITH_UNIT.fullmatch(value.strip()) if isinstance(value, str) and len(value) < 40 else None  # noqa: PLR2004
    if found is None:
        return None
    unit = found[2].strip().lower()
    quantity_unit, sensor_unit = WRITTEN_UNITS.get(unit, ("", ""))
    if quantity_unit != quantity.unit:
        raise BadValueError(f"unit {unit!r} does not fit {quantity.name}")
    return finite(converter(sensor_unit, quantity)(number_of(found[1], quantity)))


def read_fields(
    payload: bytes, pointer: tuple[str, ...] | None, unit: TimeUnit, received_at: datetime
) -> Found:
    """Return the numbers and words of a JSON message, each by its JSON Pointer.

    Raises
    ------
    BadValueError
        If it is no JSON object, or its time is none.
    """
    document = parse_document(payload)
    if not isinstance(document, dict):
        raise BadValueError("payload is no JSON object")
    at = None if pointer is None else time_of(resolve(document, pointer), unit, received_at)
    items: list[Item] = []
    for name, value in leaves(document):
        if len(items) >= MAX_FIELDS:
            raise BadValueError(f"payload has more than {MAX_FIELDS} fields")
        items.append(Item(name, value, at))
    return Found(items, [])


def leaves(document: object, at: str = "", depth: int = 0) -> Iterator[tuple[str, object]]:
    """Yield the JSON Pointer and value of everything in a document that is no object or array.

    >>> list(leaves({"air": {"temp": 18.5}, "a/b": [1]}))
    [('/air/temp', 18.5), ('/a~1b/0', 1)]
    """
    if depth <= _DEEPEST and isinstance(document, dict):
        for key, value in document.items():
            yield from leaves(value, f"{at}/{key.replace('~', '~0').replace('/', '~1')}", depth + 1)
    elif depth <= _DEEPEST and isinstance(document, list):
        for i, value in enumerate(document):
            yield from leaves(value, f"{at}/{i}", depth + 1)
    elif not isinstance(document, dict | list):
        yield at, document
