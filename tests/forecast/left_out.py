"""Leave each cell of a published table out in turn and predict it from the others."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecast.time_surface import TimeSurface
from tests.vectors import rows

MIN_PER_H = 60.0
STAGES = {"gel_min": 1.0, "dry_h": MIN_PER_H, "shore_d65_h": MIN_PER_H, "shore_d75_h": MIN_PER_H}
HARDNESS = {"shore_d65_h", "shore_d75_h"}
# Two rows alone say nothing about how a table bends.
ENOUGH = 3


@dataclass(frozen=True)
class Row:
    """A printed cell: temperature, percentage (None: one variable), minutes from and to."""

    temp_c: float
    catalyst_pct: float | None
    low_min: float
    high_min: float


@dataclass(frozen=True)
class LeftOut:
    """One cell and what the others of its table say about it."""

    table: str
    row: Row
    low_min: float
    likely_min: float
    high_min: float
    edge: bool

    @property
    def error_share(self) -> float:
        """How far the likely is outside the printed range, as a share of its nearer end."""
        if self.likely_min > self.row.high_min:
            return self.likely_min / self.row.high_min - 1.0
        return min(0.0, self.likely_min / self.row.low_min - 1.0)

    @property
    def inside_band(self) -> bool:
        """Whether the band holds the printed value, of a range its middle."""
        return self.low_min <= math.sqrt(self.row.low_min * self.row.high_min) <= self.high_min

    def __str__(self) -> str:
        row = self.row
        pct = "" if row.catalyst_pct is None else f"{row.catalyst_pct:g} %"
        printed = f"{row.low_min:g}" + ("" if row.low_min == row.high_min else f"-{row.high_min:g}")
        return (
            f"{self.table:<12} {row.temp_c:5.1f} °C {pct:>6}  {printed:>7}  "
            f"{self.low_min:7.1f} {self.likely_min:7.1f} {self.high_min:7.1f}  "
            f"{100 * self.error_share:+6.1f} %  {'edge' if self.edge else '    '}"
            f"{'' if self.inside_band else '  outside the band'}"
        )


HEAD = f"{'table':<12} {'cell':>15}  {'printed':>7}  {'low':>7} {'likely':>7} {'high':>7}  {'error':>8}"


def gel_tables() -> Mapping[str, Sequence[Row]]:
    """Return the published gel-time tables by resin."""
    tables: dict[str, list[Row]] = {}
    for line in rows("gel_times.csv"):
        numbers = (float(line[key]) for key in ("temp_c", "catalyst_pct", "low_min", "high_min"))
        tables.setdefault(line["resin"], []).append(Row(*numbers))
    return tables


def stage_tables() -> Mapping[str, Sequence[Row]]:
    """Return the columns of the published epoxy chart, in minutes, as tables of one variable."""
    chart = rows("epoxy_stages.csv")
    return {
        name: [Row(float(line["temp_c"]), None, *(2 * [float(line[name]) * minutes])) for line in chart]
        for name, minutes in STAGES.items()
    }


def surface(table: Sequence[Row], *, hardening: bool = False) -> TimeSurface:
    """Make a surface of some rows."""
    pcts = [row.catalyst_pct for row in table]
    return TimeSurface.from_cells(
        [row.temp_c for row in table],
        None if None in pcts else np.array(pcts, dtype=np.float64),
        [row.low_min for row in table],
        [row.high_min for row in table],
        hardening=hardening,
    )


def left_out(name: str, table: Sequence[Row]) -> Iterator[LeftOut]:
    """Yield each cell with what the others say, where enough others remain."""
    if len(table) <= ENOUGH:
        return
    temps = [row.temp_c for row in table]
    for i, row in enumerate(table):
        others = [*table[:i], *table[i + 1 :]]
        found = surface(others, hardening=name in HARDNESS).minutes(row.temp_c, row.catalyst_pct)
        edge = row.temp_c in {min(temps), max(temps)}
        yield LeftOut(name, row, found.low_min, found.likely_min, found.high_min, edge)


def all_left_out() -> Sequence[LeftOut]:
    """Return every cell of every published table, left out in turn."""
    return [
        one for name, table in {**gel_tables(), **stage_tables()}.items() for one in left_out(name, table)
    ]
