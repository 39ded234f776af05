"""The settings of a feed: a family of topics whose messages name what they hold."""

import re
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from collector.config_base import NAME_PATTERN, Model, ModelName, TimeUnit
from collector.domain import QUANTITIES, Sensor
from collector.feeds.patterns import TopicPattern, name_pattern
from collector.feeds.words import target_of

FeedFormat = Literal["value", "json", "senml", "sparkplug"]


class FeedConfig(Model):
    """A family of topics whose messages name what they hold: one value each, JSON, SenML or Sparkplug B."""

    topic: Annotated[str, Field(min_length=1, max_length=1024)]
    format: FeedFormat = "value"
    place: ModelName | None = None
    places: Mapping[str, ModelName] = {}
    name: str = ""
    names: Mapping[str, str] = {}
    temp_unit: Literal["C", "F", "K"] = "C"
    time_pointer: str | None = None
    time_unit: TimeUnit = "auto"

    @field_validator("topic")
    @classmethod
    def _topic_pattern(cls, topic: str) -> str:
        TopicPattern.read(topic)
        return topic

    @field_validator("name")
    @classmethod
    def _name_pattern(cls, name: str) -> str:
        name_pattern(name)
        return name

    @field_validator("names")
    @classmethod
    def _known_targets(cls, names: Mapping[str, str]) -> Mapping[str, str]:
        for target in names.values():
            if not target:
                continue
            place, _, _ = target_of(target)
            if place is not None and not re.fullmatch(NAME_PATTERN, place):
                raise ValueError(f"{place!r} in {target!r} is no place; use small letters, digits and '_'")
        return names

    @field_validator("time_pointer")
    @classmethod
    def _json_pointer(cls, pointer: str | None) -> str | None:
        if pointer and not pointer.startswith("/"):
            raise ValueError(f"{pointer!r} is no JSON Pointer (RFC 6901); it starts with '/', as in '/time'")
        return pointer

    @model_validator(mode="after")
    def _complete(self) -> "FeedConfig":
        patterns = self.topic + self.name
        named = {target_of(target)[0] for target in self.names.values() if target}
        if self.place is None and "{place}" not in patterns and (self.name or None in named or not named):
            raise ValueError(
                "nothing says where its sensors are: put {place} into topic or name, or set place, "
                "or give every one of names its place, as in 'keel.air_c'"
            )
        if self.format == "value" and "{quantity}" not in self.topic:
            raise ValueError(
                "one value per topic needs {quantity} in its topic, as in 'shed/{place}/{quantity}'; "
                "for a single topic write a [[sensor]]"
            )
        if self.format != "value" and "{quantity}" in self.topic:
            raise ValueError(f"the messages of {self.format} name their quantities; leave {{quantity}} out")
        if self.format in ("value", "json") and self.name:
            raise ValueError(f"{self.format} has no names that a pattern could fit; leave name out")
        if self.time_pointer is not None and self.format != "json":
            raise ValueError('time_pointer is for format = "json"; the other formats bring their own times')
        return self

    @property
    def sensors(self) -> Mapping[str, Sensor]:
        """The sensors that it names outright, by name; others are found as they come."""
        found = {}
        for target in self.names.values():
            place, quantity, _ = target_of(target) if target else (None, "", "")
            place = place or self.place
            if quantity and place:
                sensor = Sensor(place, QUANTITIES[quantity])
                found[sensor.name] = sensor
        return found
