"""One course of what was measured of late, as screens draw it."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Recent:
    """One quantity of a bay: `times_us` [µs since 1970 UTC], rising, and as many `values` in its unit."""

    quantity: str
    times_us: tuple[int, ...]
    values: tuple[float, ...]
