"""A book of the topics heard, and of the fields in their messages. Pure; bounded whatever comes."""

import re
from collections import deque
from dataclasses import dataclass, field
from datetime import datetime

from collector.feeds.births import Births
from collector.feeds.fields import leaves
from collector.feeds.items import Found, Item
from collector.feeds.senml import read_senml
from collector.feeds.sparkplug import read_sparkplug
from collector.values import BadValueError, parse_document

MAX_TOPICS = 2000
MAX_FIELDS = 200
_EXAMPLES = 20
_SPARKPLUG = "spBv1.0/"
_OWN = re.compile(r"layday/[^/]+/outlook")  # what layday itself publishes


@dataclass(slots=True)
class HeardField:
    """One value of a topic's messages: its JSON Pointer or its name there, and its newest examples."""

    topic: str
    name: str
    shape: str
    unit: str | None = None
    count: int = 0
    values: deque[object] = field(default_factory=lambda: deque(maxlen=_EXAMPLES))


@dataclass(slots=True)
class HeardTopic:
    """One topic: the shape of its messages (value, json, senml, sparkplug, unreadable), and why if so."""

    topic: str
    shape: str
    first_at: datetime
    last_at: datetime
    count: int = 0
    retained_count: int = 0
    trouble: str = ""
    fields: dict[str, HeardField] = field(default_factory=dict)

    @property
    def every_s(self) -> float | None:
        """The mean time between its messages [s]; None after a single one."""
        span_s = (self.last_at - self.first_at).total_seconds()
        return span_s / (self.count - 1) if self.count > 1 and span_s > 0 else None


class Book:
    """Everything heard so far, by topic."""

    def __init__(self) -> None:
        self.topics: dict[str, HeardTopic] = {}
        self.left_out_count = 0
        self._births = Births()

    def hear(
        self, topic: str, payload: bytes, at: datetime, *, retained: bool = False, whole: bool = True
    ) -> list[HeardField]:
        """Enter a message, and return the fields that were not heard before.

        `whole` is False where only the first bytes of the payload are known.
        """
        if _OWN.fullmatch(topic):
            return []
        entry = self.topics.get(topic)
        if entry is None:
            if len(self.topics) >= MAX_TOPICS:
                self.left_out_count += 1
                return []
            entry = self.topics[topic] = HeardTopic(topic, "unreadable", at, at)
        entry.first_at, entry.last_at = min(entry.first_at, at), max(entry.last_at, at)
        entry.count += 1
        entry.retained_count += retained
        try:
            shape, found = self._read(topic, payload, at)
        except BadValueError as error:
            entry.trouble = str(error) if whole else "its messages are too long to be kept whole"
            return []
        if found.items and shape != entry.shape:
            entry.shape = shape
            entry.fields.clear()  # what it said before it changed its ways cannot be configured beside
        entry.trouble = "; ".join(found.problems[:2])
        return _enter(entry, found)

    def _read(self, topic: str, payload: bytes, at: datetime) -> tuple[str, Found]:
        if topic.startswith(_SPARKPLUG):
            heard = read_sparkplug(topic, payload, at, self._births)
            return "sparkplug", Found(heard.items, heard.problems) if heard else Found([], [])
        document = parse_document(payload)
        if _is_pack(document):
            return "senml", read_senml(payload, at)
        if isinstance(document, dict | list):
            return "json", Found([Item(name, value) for name, value in leaves(document)], [])
        return "value", Found([Item("", document)], [])


def _is_pack(document: object) -> bool:
    """Say whether a document looks like SenML: records with names and values by its short words."""
    if not isinstance(document, list) or not document or not all(isinstance(r, dict) for r in document):
        return False
    keys = {key for record in document for key in record}
    return bool(keys & {"n", "bn"}) and bool(keys & {"v", "vb", "vs", "vd", "s", "bv"})


def _enter(entry: HeardTopic, found: Found) -> list[HeardField]:
    fresh = []
    for item in found.items:
        known = entry.fields.get(item.name)
        if known is None:
            if len(entry.fields) >= MAX_FIELDS:
                continue
            known = HeardField(entry.topic, item.name, entry.shape, item.unit)
            entry.fields[item.name] = known
            fresh.append(known)
        known.count += 1
        if not isinstance(item.value, BadValueError):
            known.values.append(item.value)
    return fresh
