"""A data sheet's times as a surface over temperature and catalyst: low, likely, high.

A table may have one variable (hours to a stage at temperatures) or two (gel time over
temperature and catalyst %). The surface returns the table's own cells, fills in between,
widens away from them, and says what is outside the data sheet.
"""

from dataclasses import dataclass
from typing import Generic, NamedTuple, TypeVar, overload

import numpy as np
import numpy.typing as npt

from forecast._arrhenius import FloatArray, Observations, inverse_temperature, posterior

TEMP_MIN_C, TEMP_MAX_C = -40.0, 200.0
CATALYST_MIN_PCT, CATALYST_MAX_PCT = 0.05, 200.0

# The 10 % and 90 % quantiles of a normal distribution bound the middle 80 %.
Z_80 = 1.2815515655446004
# A single printed number is returned as printed; this keeps the arithmetic sound. A printed range
# is read as the middle 80 % of what the maker saw, its centre as twice as sure.
_PRINT_SD = 3e-5
_CENTRE_OF_RANGE = 0.5
# Two cups of one can, stirred by one hand, differ by about 4 %. Common practice, no source.
_CUP_SD = 0.04
_SIMILAR = 1e-9

T = TypeVar("T", float, FloatArray)


class GelTime(NamedTuple, Generic[T]):
    """A time with its 80 % band [min]; for any stage, not only gel.

    Floats for scalar arguments, arrays of the broadcast shape otherwise. `outside` is true
    where the temperature or the percentage is beyond the data sheet's cells.
    """

    low_min: T
    likely_min: T
    high_min: T
    outside: bool | npt.NDArray[np.bool_]


class PercentFor(NamedTuple):
    """The catalyst that gives a wanted time; None, and which limit is in the way, if none does."""

    catalyst_pct: float | None
    limit: str


@dataclass(frozen=True, slots=True)
class Cells:
    """A table's cells: temperatures [°C], percentages [%] (None: one variable), minutes from and to.

    All four equally long. A single printed number is a range from itself to itself. `hardening`
    is true for times to a stage of hardness, which slow more in the cold than those to gel.
    """

    temps_c: FloatArray
    catalyst_pct: FloatArray | None
    low_min: FloatArray
    high_min: FloatArray
    hardening: bool = False

    @property
    def ln_pct(self) -> FloatArray:
        """The ln % of each cell; zero where there is one variable."""
        return np.zeros_like(self.temps_c) if self.catalyst_pct is None else np.log(self.catalyst_pct)

    @property
    def ln_centre_min(self) -> FloatArray:
        """The middle of each range, in ln minutes."""
        return np.asarray(0.5 * np.log(self.low_min * self.high_min))

    @property
    def ln_half_ratio(self) -> FloatArray:
        """Half the width of each range, in ln minutes."""
        return np.asarray(0.5 * np.log(self.high_min / self.low_min))

    def mistakes(self) -> list[str]:
        """Say what no table of times can have, each in words; empty if all is well."""
        found = []
        if self.temps_c.size == 0:
            return ["the table has no cell"]
        if not ((self.temps_c >= TEMP_MIN_C) & (self.temps_c <= TEMP_MAX_C)).all():
            found.append(f"a temperature is outside {TEMP_MIN_C:g} to {TEMP_MAX_C:g} °C")
        if self.catalyst_pct is not None:
            inside = (self.catalyst_pct >= CATALYST_MIN_PCT) & (self.catalyst_pct <= CATALYST_MAX_PCT)
            if not inside.all():
                found.append(f"a percentage is outside {CATALYST_MIN_PCT:g} to {CATALYST_MAX_PCT:g} %")
        if not ((self.low_min > 0) & (self.high_min >= self.low_min) & np.isfinite(self.high_min)).all():
            found.append("a time is not above zero, or its range is upside down")
        return found or self._upside_down()

    def _upside_down(self) -> list[str]:
        ln_pct, centre = self.ln_pct, self.ln_centre_min
        found = []
        for i in range(ln_pct.size):
            for j in range(ln_pct.size):
                warmer = self.temps_c[j] >= self.temps_c[i] and ln_pct[j] >= ln_pct[i]
                if i == j or not warmer:
                    continue
                if self.temps_c[j] == self.temps_c[i] and ln_pct[j] == ln_pct[i]:
                    if i < j:
                        found.append(f"{self._where(i)} stands there twice")
                elif centre[j] > centre[i] + _SIMILAR:
                    found.append(f"{self._where(j)} takes longer than {self._where(i)}: upside down")
        return found

    def _where(self, i: int) -> str:
        pct = "" if self.catalyst_pct is None else f" and {self.catalyst_pct[i]:g} %"
        return f"{self.temps_c[i]:g} °C{pct}"


def sheet_observations(cells: Cells) -> Observations:
    """Return the cells as observations without any offset."""
    noise = np.maximum(_CENTRE_OF_RANGE * cells.ln_half_ratio / Z_80, _PRINT_SD)
    n = cells.temps_c.size
    return Observations(
        u=inverse_temperature(cells.temps_c),
        z=cells.ln_pct,
        ln_min=cells.ln_centre_min,
        noise=noise,
        together=np.zeros((n, n)),
        to_target=np.zeros(n),
        target_variance=0.0,
        hardening=cells.hardening,
    )


class TimeSurface:
    """Minutes over temperature and catalyst %, on a grid of ln minutes that contains every cell.

    Between its nodes the grid is linear in 1/T and in ln %, which is exact for an Arrhenius
    plane. Along both, low, likely and high never rise with temperature or catalyst.

    Parameters
    ----------
    cells : Cells
        The data sheet's table.
    seen : Observations, optional
        The cells and what else was observed; the cells alone by default.
    scatter_share : float, default 0.04
        How much one pot differs from the next, standard deviation as a share.

    Raises
    ------
    ValueError
        If the table is empty, has times that are not positive, or is upside down.

    >>> surface = TimeSurface.from_cells([15.0, 20.0], [1.0, 2.0], [74.0, 19.0])
    >>> f"{surface.minutes(15.0, 1.0).likely_min:.0f}"
    '74'
    """

    def __init__(
        self, cells: Cells, seen: Observations | None = None, scatter_share: float = _CUP_SD
    ) -> None:
        if mistakes := cells.mistakes():
            raise ValueError("; ".join(mistakes))
        self._cells = cells
        self._nodes_c = _temperature_nodes(cells.temps_c)
        self._u = inverse_temperature(self._nodes_c)
        self._z = _catalyst_nodes(cells)
        found = posterior(sheet_observations(cells) if seen is None else seen, self._u, self._z)
        self.offset_ln, self.offset_sd_ln = found.offset_mean, found.offset_sd
        width = Z_80 * np.sqrt(found.sd**2 + np.mean((cells.ln_half_ratio / Z_80) ** 2) + scatter_share**2)
        likely = _falling(found.mean, *self._anchors())
        low = np.minimum.accumulate(np.minimum.accumulate(likely - width, axis=0), axis=1)
        high = np.maximum.accumulate(np.maximum.accumulate((likely + width)[::-1, ::-1], axis=0), axis=1)
        self._ln_min = np.stack([low, likely, high[::-1, ::-1]])

    @classmethod
    def from_cells(
        cls,
        temps_c: npt.ArrayLike,
        catalyst_pct: npt.ArrayLike | None,
        low_min: npt.ArrayLike,
        high_min: npt.ArrayLike | None = None,
        *,
        hardening: bool = False,
    ) -> "TimeSurface":
        """Make a surface from equally long lists [°C], [%] or None, [min], [min] or None.

        `hardening` as in `Cells`.
        """
        low = np.asarray(low_min, dtype=np.float64)
        return cls(
            Cells(
                temps_c=np.asarray(temps_c, dtype=np.float64),
                catalyst_pct=None if catalyst_pct is None else np.asarray(catalyst_pct, dtype=np.float64),
                low_min=low,
                high_min=low if high_min is None else np.asarray(high_min, dtype=np.float64),
                hardening=hardening,
            )
        )

    @overload
    def minutes(self, temp_c: float, catalyst_pct: float | None = None) -> GelTime[float]: ...
    @overload
    def minutes(
        self, temp_c: FloatArray, catalyst_pct: float | FloatArray | None = None
    ) -> GelTime[FloatArray]: ...
    @overload
    def minutes(self, temp_c: float, catalyst_pct: FloatArray) -> GelTime[FloatArray]: ...
    def minutes(
        self, temp_c: float | FloatArray, catalyst_pct: float | FloatArray | None = None
    ) -> GelTime[float] | GelTime[FloatArray]:
        """Return the time [min], its 80 % band, and whether it is outside the data sheet.

        Parameters
        ----------
        temp_c : float or array
            Temperature [°C], -40 to 200.
        catalyst_pct : float or array, optional
            Catalyst [% of resin], 0.05 to 200. Left out for a table of one variable, and only there.

        Returns
        -------
        GelTime
            NaN in an array gives NaN in its place.

        Raises
        ------
        ValueError
            If an argument is outside its range, or the percentage is missing or not wanted.

        >>> stage = TimeSurface.from_cells([10.0, 20.0], None, [480.0, 240.0])
        >>> stage.minutes(25.0).outside
        True
        """
        temp, pct = np.asarray(temp_c, dtype=np.float64), self._percent(catalyst_pct)
        low, likely, high = np.exp(self._ln_minutes(temp, pct, slice(None)))
        outside = self._outside(temp, pct)
        if np.ndim(temp_c) == 0 and np.ndim(0.0 if catalyst_pct is None else catalyst_pct) == 0:
            return GelTime(float(low), float(likely), float(high), bool(outside))
        return GelTime(low, likely, high, outside)

    @overload
    def likely_min(self, temp_c: float, catalyst_pct: float | None = None) -> float: ...
    @overload
    def likely_min(
        self, temp_c: FloatArray, catalyst_pct: float | FloatArray | None = None
    ) -> FloatArray: ...
    @overload
    def likely_min(self, temp_c: float, catalyst_pct: FloatArray) -> FloatArray: ...
    def likely_min(
        self, temp_c: float | FloatArray, catalyst_pct: float | FloatArray | None = None
    ) -> float | FloatArray:
        """Return the likely time alone [min]; arguments and errors as for `minutes`."""
        temp, pct = np.asarray(temp_c, dtype=np.float64), self._percent(catalyst_pct)
        likely = np.exp(self._ln_minutes(temp, pct, slice(1, 2))[0])
        return float(likely) if likely.ndim == 0 else likely

    def percent_for(self, temp_c: float, wanted_min: float, limits_pct: tuple[float, float]) -> PercentFor:
        """Return the catalyst [%] whose likely time at `temp_c` [°C] is `wanted_min` [min].

        Parameters
        ----------
        temp_c : float
            Temperature [°C], -40 to 200.
        wanted_min : float
            Time wanted [min], above zero.
        limits_pct : (float, float)
            Least and most catalyst that the card allows [%].

        Returns
        -------
        PercentFor
            `catalyst_pct` is None where no percentage within the limits does: `limit` is then
            "low" (even the least is too quick) or "high" (even the most is too slow).

        Raises
        ------
        ValueError
            If an argument is outside its range, or the table has one variable.
        """
        least, most = limits_pct
        if not (wanted_min > 0.0 and least <= most):
            raise ValueError(f"wanted_min {wanted_min:g} and limits {least:g} to {most:g} % must be positive")
        between = self._z[(self._z > np.log(least)) & (self._z < np.log(most))]
        pcts = np.exp(np.concatenate([[np.log(least)], between, [np.log(most)]]))
        pcts[0], pcts[-1] = least, most
        ln_min = np.log(self.likely_min(temp_c, pcts))
        wanted = float(np.log(wanted_min))
        if wanted > ln_min[0] + _SIMILAR:
            return PercentFor(None, "low")
        if wanted < ln_min[-1] - _SIMILAR:
            return PercentFor(None, "high")
        return PercentFor(float(np.exp(np.interp(-wanted, -ln_min, np.log(pcts)))), "")

    def outside_words(self, temp_c: float, catalyst_pct: float | None = None) -> str:
        """Say in which way a point is outside the data sheet; empty if it is inside."""
        sheet, said = self._cells, []
        if temp_c < sheet.temps_c.min() - _SIMILAR:
            said.append(f"{temp_c:.1f} °C is colder than its {sheet.temps_c.min():.1f} °C")
        if temp_c > sheet.temps_c.max() + _SIMILAR:
            said.append(f"{temp_c:.1f} °C is warmer than its {sheet.temps_c.max():.1f} °C")
        if sheet.catalyst_pct is not None and catalyst_pct is not None:
            if catalyst_pct < sheet.catalyst_pct.min() - _SIMILAR:
                said.append(f"{catalyst_pct:g} % is less than its {sheet.catalyst_pct.min():g} %")
            if catalyst_pct > sheet.catalyst_pct.max() + _SIMILAR:
                said.append(f"{catalyst_pct:g} % is more than its {sheet.catalyst_pct.max():g} %")
        return f"outside the data sheet: {', '.join(said)}" if said else ""

    def _percent(self, catalyst_pct: float | FloatArray | None) -> FloatArray:
        one_variable = self._cells.catalyst_pct is None
        if one_variable != (catalyst_pct is None):
            raise ValueError(
                "this table has one variable, temperature: leave catalyst_pct out"
                if one_variable
                else "catalyst_pct is missing: this table is over temperature and catalyst"
            )
        return np.asarray(1.0 if catalyst_pct is None else catalyst_pct, dtype=np.float64)

    def _anchors(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """Where on the grid the sheet's own cells are."""
        return np.searchsorted(self._nodes_c, self._cells.temps_c), np.searchsorted(
            self._z, self._cells.ln_pct
        )

    def _ln_minutes(self, temp: FloatArray, pct: FloatArray, which: slice) -> FloatArray:
        _check("temp_c", "°C", temp, TEMP_MIN_C, TEMP_MAX_C)
        _check("catalyst_pct", "%", pct, CATALYST_MIN_PCT, CATALYST_MAX_PCT)
        layers = self._ln_min[which]
        i = np.clip(np.searchsorted(self._nodes_c, temp, side="right") - 1, 0, self._u.size - 2)
        a = (inverse_temperature(temp) - self._u[i]) / (self._u[i + 1] - self._u[i])
        if self._z.size == 1:
            return np.asarray((1.0 - a) * layers[:, i, 0] + a * layers[:, i + 1, 0])
        z = np.log(pct)
        j = np.clip(np.searchsorted(self._z, z, side="right") - 1, 0, self._z.size - 2)
        b = (z - self._z[j]) / (self._z[j + 1] - self._z[j])
        lean = (1.0 - a) * layers[:, i, j] + a * layers[:, i + 1, j]
        rich = (1.0 - a) * layers[:, i, j + 1] + a * layers[:, i + 1, j + 1]
        return np.asarray((1.0 - b) * lean + b * rich)

    def _outside(self, temp: FloatArray, pct: FloatArray) -> npt.NDArray[np.bool_]:
        sheet = self._cells
        cold, hot = sheet.temps_c.min() - _SIMILAR, sheet.temps_c.max() + _SIMILAR
        outside = (temp < cold) | (temp > hot)
        if sheet.catalyst_pct is None:
            return np.asarray(outside)
        lean, rich = sheet.catalyst_pct.min() - _SIMILAR, sheet.catalyst_pct.max() + _SIMILAR
        return np.asarray(outside | (pct < lean) | (pct > rich))


def _check(name: str, unit: str, values: FloatArray, low: float, high: float) -> None:
    outside = (values < low) | (values > high)
    if outside.any():
        raise ValueError(f"{name} {values[outside].flat[0]:g} {unit} is outside {low:g} to {high:g} {unit}")


def _temperature_nodes(temps_c: FloatArray) -> FloatArray:
    """Fine where the rest can bend, 20 K about the cells; coarse where the plane rules."""
    fine = np.arange(np.floor(temps_c.min()) - 20.0, temps_c.max() + 21.0)
    coarse = np.arange(TEMP_MIN_C, TEMP_MAX_C + 1.0, 5.0)
    nodes = np.unique(np.concatenate([coarse, fine, temps_c]))
    return np.asarray(nodes[(nodes >= TEMP_MIN_C) & (nodes <= TEMP_MAX_C)])


def _catalyst_nodes(cells: Cells) -> FloatArray:
    if cells.catalyst_pct is None:
        return np.zeros(1)
    low, high = np.log(CATALYST_MIN_PCT), np.log(CATALYST_MAX_PCT)
    fine = np.arange(cells.ln_pct.min() - 1.0, cells.ln_pct.max() + 1.0, 0.1)
    nodes = np.unique(np.concatenate([np.linspace(low, high, 16), fine, cells.ln_pct]))
    return np.asarray(nodes[(nodes >= low) & (nodes <= high)])


def _falling(ln_min: FloatArray, rows: npt.NDArray[np.intp], columns: npt.NDArray[np.intp]) -> FloatArray:
    """Make a grid fall along both axes without moving the sheet's own cells.

    Where the rest overshoots, nothing that is colder and leaner than a cell may be quicker
    than it, nothing hotter and richer slower.
    """
    falling = ln_min.copy()
    for i, j in zip(rows, columns, strict=True):
        here = ln_min[i, j]
        falling[i:, j:] = np.minimum(falling[i:, j:], here)
        falling[: i + 1, : j + 1] = np.maximum(falling[: i + 1, : j + 1], here)
    return np.asarray(np.minimum.accumulate(np.minimum.accumulate(falling, axis=0), axis=1))
