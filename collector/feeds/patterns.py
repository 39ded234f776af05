"""Patterns of topics and of names: literal text with `{place}` and `{quantity}` in it."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

LONGEST_NAME = 256
PLACEHOLDERS = ("{place}", "{quantity}")
_PARTS = re.compile(r"(\{place\}|\{quantity\}|\*)")
_NO_SEPARATOR = r"[^/:]+?"


@dataclass(frozen=True, slots=True)
class TopicPattern:
    """Levels of a topic: literal, `{place}`, `{quantity}`, `+`, and `#` at the end.

    >>> TopicPattern.read("shed/{place}/{quantity}").match("shed/keel/air_c")
    {'place': 'keel', 'quantity': 'air_c'}
    """

    levels: tuple[str, ...]

    @staticmethod
    def read(text: str) -> "TopicPattern":
        """Check a pattern.

        Raises
        ------
        ValueError
            If a wildcard or placeholder is not a whole level, or is there twice.
        """
        levels = tuple(text.split("/"))
        for i, level in enumerate(levels):
            if level == "+" or level in PLACEHOLDERS or (level == "#" and i == len(levels) - 1):
                continue
            if set(level) & set("+#{}\0"):
                raise ValueError(
                    f"{level!r} is no level of a topic pattern; one is plain text, {{place}}, {{quantity}}, "
                    "'+', or '#' as the last"
                )
        for placeholder in PLACEHOLDERS:
            if levels.count(placeholder) > 1:
                raise ValueError(f"{placeholder} stands twice in {text!r}")
        return TopicPattern(levels)

    @property
    def filter(self) -> str:
        """The MQTT topic filter to subscribe to."""
        return "/".join("+" if level in PLACEHOLDERS else level for level in self.levels)

    def match(self, topic: str) -> dict[str, str] | None:
        """Return what the placeholders stand for in `topic`, or None if it does not fit."""
        given = topic.split("/")
        levels = self.levels
        if levels[-1] == "#":
            levels = levels[:-1]
            if len(given) < len(levels):
                return None
        elif len(given) != len(levels):
            return None
        if given[0].startswith("$") and levels[:1] != (given[0],):
            return None  # MQTT keeps such topics from wildcards (5.0, section 4.7.2)
        found: dict[str, str] = {}
        for level, word in zip(levels, given, strict=False):
            if level in PLACEHOLDERS:
                found[level[1:-1]] = word
            elif level not in ("+", word):
                return None
        return found


def covers(one: str, other: str) -> bool:
    """Say whether MQTT filter `one` takes in all topics of filter or topic `other`.

    >>> covers("a/#", "a/+/b"), covers("a/+", "a/#")
    (True, False)
    """
    ours, theirs = one.split("/"), other.split("/")
    for i, level in enumerate(ours):
        if level == "#":
            return True
        if i >= len(theirs) or theirs[i] == "#" or level not in ("+", theirs[i]):
            return False
    return len(ours) == len(theirs)


def without_covered(filters: set[str]) -> list[str]:
    """Leave out filters that others take in: a broker may deliver a message once for each."""
    wide = {one for one in filters if "+" in one or "#" in one}
    return sorted(one for one in filters if not any(other != one and covers(other, one) for other in wide))


def name_pattern(text: str) -> re.Pattern[str]:
    """Return the expression of a name pattern; `*` stands for anything.

    Raises
    ------
    ValueError
        If a placeholder stands twice.

    >>> name_pattern("{place}/{quantity}").fullmatch("keel/air_c").groupdict()
    {'place': 'keel', 'quantity': 'air_c'}
    """
    for placeholder in PLACEHOLDERS:
        if text.count(placeholder) > 1:
            raise ValueError(f"{placeholder} stands twice in {text!r}")
    expression = ""
    for part in _PARTS.split(text):
        if part == "*":
            expression += ".*"
        elif part in PLACEHOLDERS:
            expression += f"(?P<{part[1:-1]}>{_NO_SEPARATOR})"
        else:
            expression += re.escape(part)
    return re.compile(expression, re.DOTALL)


def named_parts(pattern: re.Pattern[str], name: str) -> Mapping[str, str] | None:
    """Return what a name pattern's placeholders stand for; None if `name` does not fit or is too long."""
    found = pattern.fullmatch(name) if len(name) <= LONGEST_NAME else None
    return found.groupdict() if found else None
