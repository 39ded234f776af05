"""From what was heard to configuration that is ready to paste. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from collector.config import Config
from collector.domain import QUANTITIES
from collector.feeds.names import Namer
from collector.feeds.patterns import TopicPattern
from collector.values import BadValueError
from dashboards.listening.guess import Guess, guess
from dashboards.listening.heard import Book, HeardField, HeardTopic
from dashboards.listening.places import common_levels, place_name, place_of

_SPARKPLUG_DEVICE_LEVELS = 5


@dataclass(frozen=True, slots=True)
class Proposed:
    """One field, what it seems to be, and the sensor that it would be; `configured` names one that is."""

    field: HeardField
    guess: Guess
    place: str
    configured: str


@dataclass(frozen=True, slots=True)
class ProposedTopic:
    """One topic with its fields, and where its messages carry their time."""

    heard: HeardTopic
    fields: tuple[Proposed, ...]
    time_pointer: str | None


def propose(book: Book, config: Config, now: datetime) -> list[ProposedTopic]:
    """Return what each topic seems to be, in order of topic; no two fields get one sensor."""
    plain = [t.topic for t in book.topics.values() if t.shape != "sparkplug"]
    shared = common_levels(plain)
    taken = set(config.sensors)
    found = []
    for topic in sorted(book.topics):
        heard = book.topics[topic]
        guesses = {name: guess(field, now) for name, field in heard.fields.items()}
        times = [name for name, one in guesses.items() if one.is_time]
        fields = []
        for name, field in heard.fields.items():
            configured = configured_as(config, field)
            place = "" if configured else _place(heard, guesses[name], shared, taken)
            fields.append(Proposed(field, guesses[name], place, configured))
        found.append(ProposedTopic(heard, tuple(fields), times[0] if times else None))
    return found


def _place(heard: HeardTopic, one: Guess, shared: int, taken: set[str]) -> str:
    """Choose a place for a guess; a second sensor of its kind there gets a number."""
    if not one.quantity:
        return ""
    if heard.shape == "sparkplug":
        wanted = place_name(heard.topic.split("/")[-1])
    else:
        levels = heard.topic.split("/")
        names_its_value = heard.shape == "value" and len(levels) - shared > 1
        wanted = place_of("/".join(levels[:-1]) if names_its_value else heard.topic, shared)
    place, number = wanted, 1
    while f"{place}.{one.quantity}" in taken:
        number += 1
        place = f"{wanted}_{number}"
    if one.sure and heard.shape != "sparkplug":  # a node's births and data are of one place
        taken.add(f"{place}.{one.quantity}")
    return place


def configured_as(config: Config, field: HeardField) -> str:
    """Return the name of the sensor that takes this field already, or nothing."""
    for entry in config.sensor:
        if entry.topic == field.topic and entry.pointer == field.name:
            return entry.sensor.name
    for feed in config.feed:
        parts = TopicPattern.read(feed.topic).match(field.topic)
        if parts is None:
            continue
        try:
            target = Namer(feed).target(parts, field.name or parts.get("quantity", ""), field.unit)
        except BadValueError:
            return ""
        return target.sensor if target else ""
    return ""


def tables(topics: list[ProposedTopic]) -> Iterator[str]:
    """Yield the lines of configuration: what is sure as tables, the rest as comments."""
    for topic in topics:
        if topic.heard.shape in ("value", "json"):
            yield from _sensor_tables(topic)
        elif topic.heard.shape == "senml":
            yield from _feed(topic.heard.topic, "senml", list(topic.fields))
    yield from _sparkplug_feeds([t for t in topics if t.heard.shape == "sparkplug"])


def _sensor_tables(topic: ProposedTopic) -> Iterator[str]:
    for one in topic.fields:
        if one.configured or not one.guess.quantity:
            continue
        mark = "" if one.guess.sure else "# "
        name = f"{topic.heard.topic} {one.field.name}".rstrip()
        lines = [
            "[[sensor]]",
            f'place = "{one.place}"',
            f'quantity = "{one.guess.quantity}"',
            f"topic = {quoted(topic.heard.topic)}",
        ]
        if one.field.name:
            lines.append(f"pointer = {quoted(one.field.name)}")
        if one.guess.unit and one.guess.unit != "C":
            lines.append(f'unit = "{one.guess.unit}"')
        if topic.time_pointer is not None:
            lines.append(f"time_pointer = {quoted(topic.time_pointer)}")
        yield ""
        yield f"# {shown(name)}: {shown(one.guess.reason)}"
        yield from (mark + line for line in lines)


def _feed(pattern: str, kind: str, fields: list[Proposed], place: str = "") -> Iterator[str]:
    """Yield one feed with every name that it knows; names of no quantity are left out."""
    new = [one for one in fields if one.guess.quantity and not one.configured]
    doubts = [one for one in new if not one.guess.sure]
    names: dict[str, Proposed] = {}
    for one in new:
        if one.guess.sure and _target(one) not in map(_target, names.values()):
            names[one.field.name] = one
    if not (names or doubts or place) or set("{}") & set(pattern):
        return
    yield ""
    yield from (f"# {shown(name)}: {shown(one.guess.reason)}" for name, one in names.items())
    for one in doubts:
        entry = f"{quoted(one.field.name)} = {quoted(_target(one))}"
        yield f"# perhaps, in names: {shown(entry)}  ({shown(one.guess.reason)})"
    if not names and not place:
        return
    yield "[[feed]]"
    yield f"topic = {quoted(pattern)}"
    yield f'format = "{kind}"'
    if place:
        yield f'place = "{place}"'
    if names:
        entries = (f"{quoted(name)} = {quoted(_target(one))}" for name, one in names.items())
        yield f"names = {{ {', '.join(entries)} }}"


def _target(one: Proposed) -> str:
    unit = "" if one.guess.unit in ("", "C") else f" {one.guess.unit}"
    return f"{one.place}.{one.guess.quantity}{unit}"


def _sparkplug_feeds(topics: list[ProposedTopic]) -> Iterator[str]:
    """Yield a feed for each node and device; a device's before its node's, which would take it too."""
    by_origin: dict[tuple[str, ...], dict[str, Proposed]] = {}
    for topic in topics:
        levels = topic.heard.topic.split("/")
        origin = (levels[1], levels[3], *levels[4:_SPARKPLUG_DEVICE_LEVELS])
        fields = by_origin.setdefault(origin, {})
        by_origin.setdefault(origin[:2], {})
        fields.update({one.field.name: one for one in topic.fields if one.field.name not in fields})
    for origin in sorted(by_origin, key=lambda levels: (levels[:2], -len(levels), levels)):
        pattern = "/".join(("spBv1.0", origin[0], "+", *origin[1:]))
        known = [one for one in by_origin[origin].values() if one.configured]
        if not known:
            yield from _feed(pattern, "sparkplug", list(by_origin[origin].values()), place_name(origin[-1]))


def quoted(text: str) -> str:
    """Return a TOML string, everything in it escaped that is not plainly to be seen."""
    safe = text.encode("utf-8", "replace").decode().replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in safe) + '"'


def shown(text: str, longest: int = 120) -> str:
    """Return text for a comment or a screen: nothing in it can steer a terminal or end a line."""
    plain = "".join(c if c.isprintable() else "?" for c in text.encode("utf-8", "replace").decode())
    return plain if len(plain) <= longest else f"{plain[: longest - 1]}…"


def words_for(one: Guess) -> str:
    """Return what a guess says, in words."""
    if one.is_time:
        return "a time"
    if not one.quantity:
        return "not known"
    quantity = QUANTITIES[one.quantity]
    unit = {"C": " in °C", "F": " in °F", "K": " in K", "": ""}.get(one.unit, f" in {one.unit}")
    return f"{'' if one.sure else 'perhaps '}{quantity.words}{unit}"
