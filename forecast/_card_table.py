"""A TOML table read with care: each mistake is noted under its full key, and reading goes on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

_NAN = float("nan")


class Bound(NamedTuple):
    """The closed range that a number can be in, and what may have gone wrong if it is not."""

    low: float
    high: float
    hint: str

    def problem(self, value: float) -> str:
        """Say that a number is outside; empty if it is not."""
        if self.low <= value <= self.high:
            return ""
        return f"{value:g} is outside {self.low:g} to {self.high:g} ({self.hint})"


@dataclass(frozen=True, slots=True)
class _Notes:
    """What all tables of one card write down together."""

    mistakes: list[str] = field(default_factory=list)
    numbers: list[str] = field(default_factory=list)


class Table:
    """One table of a card.

    What is missing or wrong is noted in `mistakes`, shared by all tables of a card, as
    ``key: what``; a number then reads as NaN and a text as empty, so that whatever is right
    can still be checked.
    """

    def __init__(self, raw: Mapping[str, object], prefix: str = "", notes: _Notes | None = None) -> None:
        self.raw = raw
        self._prefix = prefix
        self._used: set[str] = set()
        self._notes = _Notes() if notes is None else notes

    @property
    def mistakes(self) -> Sequence[str]:
        """What is wrong anywhere in the card."""
        return tuple(self._notes.mistakes)

    def number_keys(self) -> Sequence[str]:
        """Full keys of all numbers read so far; those of a list of rows count as one."""
        return tuple(dict.fromkeys(self._notes.numbers))

    def wrong(self, key: str, what: str) -> None:
        """Note a mistake."""
        self._notes.mistakes.append(f"{self._prefix}{key}: {what}")

    def text(self, key: str, *, required: bool = True) -> str:
        """Return a text, empty if there is none."""
        value = self._take(key, required=required)
        if value is None or (isinstance(value, str) and value.strip()):
            return "" if value is None else str(value).strip()
        self.wrong(key, f"must be a text in quotes, not {value!r}")
        return ""

    def choice(self, key: str, choices: Sequence[str], default: str = "") -> str:
        """Return one of `choices`."""
        value = self._take(key, required=not default)
        if value is None or value in choices:
            return default if value is None else str(value)
        self.wrong(key, f"must be one of {', '.join(choices)}, not {value!r}")
        return default

    def flag(self, key: str, *, default: bool) -> bool:
        """Return true or false."""
        value = self._take(key, required=False)
        if value is None or isinstance(value, bool):
            return default if value is None else value
        self.wrong(key, f"must be true or false, not {value!r}")
        return default

    def number(self, key: str, bound: Bound) -> float:
        """Return a number within `bound`, NaN if it is none."""
        value = self._take(key, required=True)
        self._notes.numbers.append(f"{self._prefix}{key}".split("[")[0])
        return _NAN if value is None else self._checked(key, value, bound)

    def numbers(self, key: str, bound: Bound) -> tuple[float, ...]:
        """Return a list of numbers, each within `bound` or NaN."""
        value = self._take(key, required=True)
        self._notes.numbers.append(f"{self._prefix}{key}")
        if value is None:
            return ()
        if not isinstance(value, list) or not value:
            self.wrong(key, f"must be a list of numbers, as in [1, 2.5], not {value!r}")
            return ()
        return tuple(self._checked(f"{key}[{i}]", item, bound) for i, item in enumerate(value))

    def table(self, key: str, *, required: bool = True) -> "Table":
        """Return a table inside this one, empty if there is none."""
        value = self._take(key, required=required)
        if value is not None and not isinstance(value, Mapping):
            self.wrong(key, f"must be a table, [{self._prefix}{key}], not {value!r}")
        inner = value if isinstance(value, Mapping) else {}
        return Table(inner, f"{self._prefix}{key}.", self._notes)

    def tables(self, key: str) -> Sequence["Table"]:
        """Return a list of tables; it must have at least one."""
        value = self._take(key, required=True)
        if value is None:
            return ()
        if not isinstance(value, list) or not value or not all(isinstance(row, Mapping) for row in value):
            self.wrong(key, "must be a list of rows, as in [{ temp_c = 20, … }]")
            return ()
        return [Table(row, f"{self._prefix}{key}[{i}].", self._notes) for i, row in enumerate(value)]

    def unused(self) -> Sequence[str]:
        """Keys that nothing has asked for."""
        return tuple(key for key in self.raw if key not in self._used)

    def no_other_keys(self, hint: str = "") -> None:
        """Note each key that nothing has asked for: a misspelt one would be ignored otherwise."""
        for key in self.unused():
            self.wrong(key, "no such key" + (f"; {hint}" if hint else ""))

    def _take(self, key: str, *, required: bool) -> object:
        self._used.add(key)
        if required and key not in self.raw:
            self.wrong(key, "is missing")
        return self.raw.get(key)

    def _checked(self, key: str, value: object, bound: Bound) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.wrong(key, f"must be a number, not {value!r}")
            return _NAN
        if problem := bound.problem(value):
            self.wrong(key, problem)
            return _NAN
        return float(value)
