"""One MQTT message to readings, or to the reason why not. No clock, no I/O, never raises.

What is understood: one number per topic, and JSON of any nesting with JSON Pointers
(RFC 6901), by exact topics; and the families of topics of `collector.feeds`. Nothing is
guessed: a value that is not plainly a number is rejected with its reason, and the other
values of the same message are kept.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from math import isfinite
from typing import NamedTuple

from collector.config_base import TimeUnit
from collector.domain import Quantity, Reading, Rejected
from collector.feed_config import FeedConfig
from collector.feeds.births import Births
from collector.feeds.feed import Feed
from collector.feeds.fields import written_number
from collector.quality import range_flag
from collector.sensor_config import SensorConfig
from collector.sensor_units import converter
from collector.source import Message
from collector.values import (
    HEAD_BYTES,
    UNDATED,
    BadValueError,
    number_of,
    parse_document,
    resolve,
    split_pointer,
    time_of,
)

UNKNOWN_TOPIC = "no sensor is configured for this topic"
_REMEMBERED_TOPICS = 20_000
_reading = partial(tuple.__new__, Reading)  # cheaper than `Reading(…)`, and each number passes here


@dataclass(frozen=True, slots=True)
class Route:
    """Where one sensor's number stands in the messages of one topic."""

    sensor: str
    quantity: Quantity
    pointer: tuple[str, ...]
    convert: Callable[[float], float]
    time_pointer: tuple[str, ...] | None
    time_unit: TimeUnit


class Routes:
    """Which sensors a topic feeds: exact topics first, then feeds in their order."""

    def __init__(self, exact: Mapping[str, tuple[Route, ...]], feeds: Iterable[FeedConfig] = ()) -> None:
        self.exact = exact
        self.births = Births()
        self._feeds = [Feed(config, self.births) for config in feeds]
        self._found: dict[str, tuple[Feed, Mapping[str, str]] | None] = {}

    def feed(self, topic: str) -> tuple[Feed, Mapping[str, str]] | None:
        """Return the feed that a topic belongs to, and what its placeholders stand for there."""
        if not self._feeds:
            return None
        if topic not in self._found:
            if len(self._found) >= _REMEMBERED_TOPICS:
                self._found.clear()  # topics are the senders' choice
            matches = ((feed, feed.parts(topic)) for feed in self._feeds)
            self._found[topic] = next(((f, parts) for f, parts in matches if parts is not None), None)
        return self._found[topic]


class Decoded(NamedTuple):
    """What a message gave; either may be empty. `by_arrival` if a time was taken from its arrival."""

    readings: list[Reading]
    rejected: list[Rejected]
    by_arrival: bool = False


def build_routes(entries: Iterable[SensorConfig], feeds: Iterable[FeedConfig] = ()) -> Routes:
    """Return the routes of the configured sensors and feeds."""
    routes: dict[str, list[Route]] = defaultdict(list)
    for entry in entries:
        sensor = entry.sensor
        routes[entry.topic].append(
            Route(
                sensor=sensor.name,
                quantity=sensor.quantity,
                pointer=split_pointer(entry.pointer),
                convert=converter(entry.unit, sensor.quantity),
                time_pointer=None if entry.time_pointer is None else split_pointer(entry.time_pointer),
                time_unit=entry.time_unit,
            )
        )
    return Routes({topic: tuple(found) for topic, found in routes.items()}, feeds)


def decode(message: Message, routes: Routes, source: str) -> Decoded:
    """Return the readings of a message, and what of it was put aside and why."""
    found = routes.exact.get(message.topic)
    if found is None:
        return _decode_fed(message, routes, source)
    try:
        document = parse_document(message.payload)
    except BadValueError as error:
        return Decoded([], [reject(message, source, str(error))])
    readings: list[Reading] = []
    rejected: list[Rejected] = []
    by_arrival = False
    for route in found:
        try:
            readings.append(_read(document, route, message))
            by_arrival = by_arrival or route.time_pointer is None
        except BadValueError as error:
            rejected.append(reject(message, source, f"{route.sensor}: {error}"))
    return Decoded(readings, rejected, by_arrival)


def _decode_fed(message: Message, routes: Routes, source: str) -> Decoded:
    found = routes.feed(message.topic)
    if found is None:
        return Decoded([], [reject(message, source, UNKNOWN_TOPIC)])
    feed, parts = found
    try:
        readings, reasons, by_arrival = feed.read(message, parts)
    except BadValueError as error:
        return Decoded([], [reject(message, source, str(error))])
    return Decoded(readings, [reject(message, source, reason) for reason in reasons], by_arrival)


def reject(message: Message, source: str, reason: str) -> Rejected:
    """Return the record of a message that gave no reading."""
    return Rejected(
        message.received_at,
        source,
        message.topic,
        reason,
        message.payload[:HEAD_BYTES],
        len(message.payload),
    )


def _read(document: object, route: Route, message: Message) -> Reading:
    given, quantity = resolve(document, route.pointer), route.quantity
    value = written_number(given, quantity) if type(given) is str else None
    if value is None:
        value = route.convert(number_of(given, quantity))
        if not isfinite(value):
            raise BadValueError("value is not a finite number")
    at, flags = message.received_at, range_flag(quantity, value)
    if route.time_pointer is not None:
        at = time_of(resolve(document, route.time_pointer), route.time_unit, at)
    elif message.retained:
        raise BadValueError(UNDATED)
    return _reading((route.sensor, at, value, message.received_at, flags))
