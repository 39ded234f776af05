"""What the readers of all formats give: named values, not yet anybody's sensors."""

from datetime import datetime
from typing import NamedTuple

from collector.values import BadValueError


class Item(NamedTuple):
    """A value with the name that its message gives it.

    `value` is as sent, or the reason why it is none. `at` is the device's time, None where it
    sends none; `by_arrival` marks a time that was counted from the message's arrival.
    """

    name: str
    value: object
    at: datetime | None = None
    unit: str | None = None
    by_arrival: bool = False


class Found(NamedTuple):
    """A message's items, and the reasons why other parts of it are none."""

    items: list[Item]
    problems: list[str]


def refused(name: str, why: str) -> Item:
    """Return an item that gives no reading."""
    return Item(name, BadValueError(why))
