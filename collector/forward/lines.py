"""Readings and texts as lines of InfluxDB's line protocol; every field is a float.

::

    layday_reading,shed=gull,place=keel,quantity=air_c value=18.5,delay_us=1500 1760000000000000
    layday_text,shed=gull,key=journal start=812,check=2774,word=77 1760000000000000

`flags` and `delay_us` (receive time minus time) are left out where they are 0; a text is
numbers too (`collector.store.texts`). Times are microseconds.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from collector.store.texts import WORD_STEP_US, PackedText

READING = "layday_reading"
TEXT = "layday_text"

_ESCAPES = str.maketrans({",": "\\,", "=": "\\=", " ": "\\ "})


@dataclass(frozen=True, slots=True)
class Values:
    """Readings of one sensor, as equally long sequences; values in the quantity's unit."""

    sensor: str
    times_us: Sequence[int]
    values: Sequence[float]
    delays_us: Sequence[int]
    flags: Sequence[int]


def series_head(shed: str, sensor: str) -> str:
    """Return the measurement and tags of a sensor, up to its value.

    >>> series_head("gull", "keel.air_c")
    'layday_reading,shed=gull,place=keel,quantity=air_c value='
    """
    place, _, quantity = sensor.rpartition(".")
    tags = {"shed": shed, "place": place, "quantity": quantity}
    return f"{READING}{_tags(tags)} value="


def reading_line(head: str, at_us: int, value: float, delay_us: int, flags: int) -> str:
    """Return the line of one reading; `head` is its sensor's.

    >>> reading_line(series_head("gull", "keel.air_c"), 5, 18.5, 0, 2)
    'layday_reading,shed=gull,place=keel,quantity=air_c value=18.5,flags=2 5'
    """
    if flags:
        return f"{head}{value!r},flags={flags},delay_us={delay_us} {at_us}"
    return f"{head}{value!r},delay_us={delay_us} {at_us}" if delay_us else f"{head}{value!r} {at_us}"


def text_lines(shed: str, key: str, text: PackedText, at_us: int) -> list[str]:
    """Return the lines of a text that stands under a key since `at_us`, rounded down to the millisecond.

    The line with `start` comes last: who finds it finds the words.
    """
    head = f"{TEXT}{_tags({'shed': shed, 'key': key})} "
    first_us = at_us // WORD_STEP_US * WORD_STEP_US
    lines = [f"{head}word={word} {first_us + i * WORD_STEP_US}" for i, word in enumerate(text.words)]
    lines.append(f"{head}start={text.size_bytes},check={text.check} {first_us}")
    return lines


def number_line(measurement: str, tags: Mapping[str, str], fields: Mapping[str, float], at_us: int) -> str:
    """Return a line of several numbers of one moment; at least one field.

    >>> number_line("layday_shed", {"shed": "gull"}, {"live_cures": 2.0}, 7)
    'layday_shed,shed=gull live_cures=2.0 7'
    """
    listed = ",".join(f"{name}={float(value)!r}" for name, value in fields.items())
    return f"{measurement}{_tags(tags)} {listed} {at_us}"


def _tags(tags: Mapping[str, str]) -> str:
    """Leave an empty tag out: it cannot be written, and means the same."""
    return "".join(f",{name}={value.translate(_ESCAPES)}" for name, value in tags.items() if value)


def reading_lines(shed: str, found: Iterable[Values]) -> list[str]:
    """Return the lines of several stretches of readings."""
    lines: list[str] = []
    for part in found:
        head = series_head(shed, part.sensor)
        rows = zip(part.times_us, part.values, part.delays_us, part.flags, strict=True)
        lines += [reading_line(head, *row) for row in rows]
    return lines
