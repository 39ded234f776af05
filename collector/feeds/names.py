"""Whose value is it: from a topic's words and a message's names to sensors."""

import re
from collections.abc import Callable, Mapping
from typing import NamedTuple

from collector.config_base import NAME_PATTERN, SensorUnit
from collector.domain import QUANTITIES, Quantity
from collector.feed_config import FeedConfig
from collector.feeds.patterns import name_pattern, named_parts
from collector.feeds.words import meaning, target_of
from collector.sensor_units import converter, senml_converter
from collector.values import BadValueError

MAX_SENSORS = 2000
_REMEMBERED = 20_000
_PLACE = re.compile(NAME_PATTERN)
_LAST_WORD = re.compile(r"[^/:]*$")
_MERE_CONTAINERS = frozenset(
    ["data", "values", "sensor", "sensors", "readings", "measurements", "payload", "env", "climate"]
)


class Target(NamedTuple):
    """The sensor that a value belongs to, and how its number becomes the quantity's."""

    sensor: str
    quantity: Quantity
    convert: Callable[[float], float]


class Namer:
    """Finds the sensors of a feed.

    What a name stands for is told by `names`; else its last word (or the `{quantity}` of the
    name pattern) must be a word that is known. Names that are neither are nobody's.
    """

    def __init__(self, config: FeedConfig) -> None:
        self._config = config
        self._pattern = name_pattern(config.name) if config.name else None
        self._targets: dict[tuple[str, str, str | None], Target | None] = {}
        self._sensors: set[str] = set()

    def target(self, parts: Mapping[str, str], name: str, unit: str | None = None) -> Target | None:
        """Return whose value `name` is, in a topic with these `parts`; None if it is nobody's.

        Raises
        ------
        BadValueError
            If its place cannot be told, or its unit does not fit.
        """
        key = (parts.get("place", ""), name, unit)
        if key not in self._targets:
            if len(self._targets) >= _REMEMBERED:
                self._targets.clear()  # names are the senders' choice
            self._targets[key] = self._find(parts, name, unit)
        return self._targets[key]

    def place(self, parts: Mapping[str, str]) -> str | None:
        """Return the place that a topic or name tells, or else the feed's own.

        Raises
        ------
        BadValueError
            If the word is no name of a place.
        """
        word = parts.get("place")
        if word is None:
            return self._config.place
        place = self._config.places.get(word, word)
        if not _PLACE.fullmatch(place) or len(place) > 64:  # noqa: PLR2004  no place has a longer name
            raise BadValueError(f"{word[:40]!r} is no name for a place; give it one in places")
        return place

    def _find(self, parts: Mapping[str, str], name: str, unit: str | None) -> Target | None:
        names = self._config.names
        entry = names.get(name, names.get(name[1:]) if name.startswith("/") else None)
        found = self._by_words(name) if entry is None else entry and target_of(entry)
        if not found:
            return None
        place, quantity_name, own_unit = found
        place = place or self.place(parts)
        if place is None:
            raise BadValueError(f"nothing says where {name[:80]!r} is")
        quantity = QUANTITIES[quantity_name]
        if quantity.unit == "°C" and not own_unit:
            own_unit = self._config.temp_unit
        try:
            convert = senml_converter(unit, quantity) if unit else converter(own_unit, quantity)
        except ValueError as error:
            raise BadValueError(str(error)) from None
        sensor = f"{place}.{quantity_name}"
        if sensor not in self._sensors and len(self._sensors) >= MAX_SENSORS:
            raise BadValueError(f"this feed has brought {MAX_SENSORS} sensors; no further one is taken")
        self._sensors.add(sensor)
        return Target(sensor, quantity, convert)

    def _by_words(self, name: str) -> tuple[str | None, str, SensorUnit] | None:
        word = _joined(name) if self._config.format == "json" else name
        place = None
        if self._pattern is not None:
            named = named_parts(self._pattern, name)
            if named is None:
                return None
            word = named.get("quantity", name)
            place = self.place(named) if "place" in named else None
        last = _LAST_WORD.search(word)
        known = meaning(last[0] if last else word)
        return (place, *known) if known else None


def _joined(pointer: str) -> str:
    """Join the words of a JSON Pointer: the `temp` of a `part` is not that of the air."""
    words = pointer.split("/")[1:]
    return "_".join(word for word in words if word.lower() not in _MERE_CONTAINERS)
