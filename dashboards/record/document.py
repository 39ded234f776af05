"""What a record is made of: headings, words, tables and charts, before anything is drawn."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; `level` 1 is the record's own."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """A table; `head` may be empty where the first column names the rows."""

    rows: Sequence[Sequence[str]]
    head: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """One course in a panel, in pieces, since nothing is drawn where nothing was measured.

    Each piece holds (hours after the chart's start, value in the panel's unit). `style` is ``part``, ``air``,
    ``dew`` or ``humidity``.
    """

    name: str
    style: str
    pieces: tuple[tuple[tuple[float, float], ...], ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """Some courses over one axis, and the limits they should keep to, each with its name."""

    title: str
    lines: tuple[Line, ...]
    limits: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Chart:
    """Panels one above the other over the same hours; `marks` are moments worth a line, with their names."""

    start: datetime
    span_h: float
    zone: tzinfo
    panels: tuple[Panel, ...]
    marks: tuple[tuple[str, float], ...]
    description: str


Block = Heading | Words | Table | Chart
