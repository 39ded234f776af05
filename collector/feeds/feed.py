"""A feed at work: from a message of its family to readings and reasons."""

from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

from collector.domain import Reading
from collector.feed_config import FeedConfig
from collector.feeds.births import Births
from collector.feeds.fields import read_fields, read_value, written_number
from collector.feeds.items import Found, Item
from collector.feeds.names import Namer, Target
from collector.feeds.patterns import TopicPattern
from collector.feeds.senml import read_senml
from collector.feeds.sparkplug import Heard, read_sparkplug
from collector.quality import range_flag
from collector.source import Message
from collector.values import UNDATED, BadValueError, finite, number_of, split_pointer

_SHOWN_NAMES = 3
_MAX_REASONS = 20


class Gathered(NamedTuple):
    """What a message gave; `by_arrival` if a time was taken from its arrival."""

    readings: list[Reading]
    reasons: list[str]
    by_arrival: bool


class Feed:
    """One `[[feed]]` of the configuration."""

    def __init__(self, config: FeedConfig, births: Births) -> None:
        self._pattern = TopicPattern.read(config.topic)
        self._namer = Namer(config)
        self._config = config
        self._births = births
        self._time_pointer = None if config.time_pointer is None else split_pointer(config.time_pointer)

    def parts(self, topic: str) -> Mapping[str, str] | None:
        """Return the words that the topic's placeholders stand for; None if it is not of this feed."""
        return self._pattern.match(topic)

    def read(self, message: Message, parts: Mapping[str, str]) -> Gathered:
        """Return the readings of a message.

        Raises
        ------
        BadValueError
            If nothing of it can be used.
        """
        payload, at = message.payload, message.received_at
        if self._config.format == "sparkplug":
            heard = read_sparkplug(message.topic, payload, at, self._births)
            return Gathered([], [], False) if heard is None else self._heard(heard, message, parts)
        if self._config.format == "senml":
            found = read_senml(payload, at)
        elif self._config.format == "json":
            found = read_fields(payload, self._time_pointer, self._config.time_unit, at)
        else:
            found = read_value(payload, parts["quantity"])
        gathered, _ = self._gather(found, message, parts)
        return gathered

    def _heard(self, heard: Heard, message: Message, parts: Mapping[str, str]) -> Gathered:
        """Read a Sparkplug message, and tell from births and deaths whether a place's node is there."""
        if heard.kind in ("NDEATH", "DDEATH"):
            places = self._births.places(heard.key)
            if not places:
                raise BadValueError("death of a node that was never born here")
            return self._online(places, 0.0, heard.at, message)
        gathered, places = self._gather(Found(heard.items, heard.problems), message, parts)
        self._births.serves(heard.key, places)
        if heard.kind in ("NBIRTH", "DBIRTH") and places:
            born = self._online(places, 1.0, heard.at, message)
            return Gathered(
                gathered.readings + born.readings, gathered.reasons, gathered.by_arrival or born.by_arrival
            )
        return gathered

    def _online(self, places: set[str], value: float, at: datetime | None, message: Message) -> Gathered:
        received_at = message.received_at
        if at is None and message.retained:
            raise BadValueError(UNDATED)
        readings = [
            Reading(f"{place}.online", at or received_at, value, received_at) for place in sorted(places)
        ]
        return Gathered(readings, [], at is None)

    def _gather(self, found: Found, message: Message, parts: Mapping[str, str]) -> tuple[Gathered, set[str]]:
        """Turn items into readings; of two for one sensor and time the first counts."""
        readings: dict[tuple[str, datetime], Reading] = {}
        reasons = list(found.problems)
        places: set[str] = set()
        strangers: list[str] = []
        by_arrival = False
        for item in found.items:
            try:
                target = self._namer.target(parts, item.name, item.unit)
            except BadValueError as error:
                reasons.append(str(error))
                continue
            if target is None:
                strangers.append(item.name)
                continue
            places.add(target.sensor.partition(".")[0])
            try:
                reading = _reading(item, target, message)
            except BadValueError as error:
                reasons.append(f"{target.sensor}: {error}")
                continue
            readings.setdefault((reading.sensor, reading.at), reading)
            by_arrival = by_arrival or item.at is None or item.by_arrival
        if strangers and not places and not reasons and self._config.format != "sparkplug":
            reasons.append(_unknown(strangers))
        return Gathered(list(readings.values()), _bounded(reasons), by_arrival), places


def _reading(item: Item, target: Target, message: Message) -> Reading:
    if isinstance(item.value, BadValueError):
        raise item.value
    if message.retained and (item.at is None or item.by_arrival):
        raise BadValueError(UNDATED)
    value = written_number(item.value, target.quantity)
    if value is None:
        value = target.convert(number_of(item.value, target.quantity))
    received_at = message.received_at
    flags = range_flag(target.quantity, finite(value))
    return Reading(target.sensor, item.at or received_at, value, received_at, flags)


def _unknown(names: list[str]) -> str:
    shown = ", ".join(repr(name[:80]) for name in names[:_SHOWN_NAMES])
    rest = f" and {len(names) - _SHOWN_NAMES} more" if len(names) > _SHOWN_NAMES else ""
    return f"no quantity is known by the name {shown}{rest}; say in names what it is"


def _bounded(reasons: list[str]) -> list[str]:
    """Keep a message of a thousand faults from filling the store with its reasons."""
    if len(reasons) <= _MAX_REASONS:
        return reasons
    return [*reasons[:_MAX_REASONS], f"and {len(reasons) - _MAX_REASONS} more values of the same message"]
