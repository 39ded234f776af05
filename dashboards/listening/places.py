"""A name for the place that a topic or node seems to be. Pure."""

import re
from collections.abc import Collection

from collector.config_base import NAME_PATTERN
from collector.feeds.words import meaning, plain_word

_NAME = re.compile(NAME_PATTERN)
_MUTE_WORDS = (
    "state status sensor sensors node nodes data json senml value values reading readings mqtt "
    "device devices env climate telemetry info"
)
_SAY_NOTHING = frozenset(_MUTE_WORDS.split())


def common_levels(topics: Collection[str]) -> int:
    """Return how many levels all topics begin with alike; a lone topic has none."""
    split = [topic.split("/") for topic in topics]
    if len(split) < 2:  # noqa: PLR2004  one topic is alike to itself
        return 0
    count = 0
    for level in zip(*split, strict=False):
        if len(set(level)) > 1:
            break
        count += 1
    return min(count, *(len(levels) - 1 for levels in split))


def place_of(topic: str, shared: int = 0) -> str:
    """Return a place's name from the level of a topic that says most.

    >>> place_of("yard/keel/air_temperature", 1), place_of("data/Bay-2/SENSOR")
    ('keel', 'bay_2')
    """
    levels = topic.split("/")
    for some in (levels[shared:], levels):
        telling = [level for level in some if plain_word(level) and not _is_mute(level)]
        if telling:
            return place_name(telling[-1])
    return "shed"


def place_name(word: str) -> str:
    """Return a word as the name of a place."""
    plain = plain_word(word)[:40]
    return plain if _NAME.match(plain) else f"n_{plain}" if plain else "shed"


def _is_mute(level: str) -> bool:
    return plain_word(level) in _SAY_NOTHING or meaning(level) is not None
