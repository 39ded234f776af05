"""A shed in a few numbers, for whoever looks at two hundred of them: what is told, and what is read of it.

Fields of the measurement ``layday_shed``, all floats:

- the shed's limits by their names, and `stale_after_s`;
- `outlook_at_s`, when the outlook was made [s since 1970 UTC], and `outlook_verdict`;
- `live_cures`, how many, and `cures_verdict`, the worst of theirs;
- `window_start_s`, `window_end_s`, the next stretch fit to glass [s since 1970 UTC]; 0 for none in sight;
- `fuel_h`, how long the fuel lasts [h]; below 0 where nobody knows.

A verdict is 0 for go, 1 tight, 2 no-go, 3 no news.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from collector.clock import from_us
from forecast.outlook import Band, BayOutlook, Outlook
from forecast.verdict import WORST_FIRST, Limits, Verdict, worst

WINDOW = timedelta(hours=2)
"""A shorter stretch is no window: mixing, laying and cleaning up take as long. Common practice, no source."""

_NUMBER = {verdict: float(len(WORST_FIRST) - 1 - i) for i, verdict in enumerate(WORST_FIRST)}
_LIMITS = tuple(Limits.__dataclass_fields__)


@dataclass(frozen=True, slots=True)
class Stretch:
    """From when to when."""

    start_at: datetime
    end_at: datetime


@dataclass(frozen=True, slots=True)
class Told:
    """What a shed's outlook told: when, its cures, the next stretch fit to glass, and its fuel [h]."""

    outlook_at: datetime
    live_cures: int
    cures_verdict: Verdict
    window: Stretch | None
    fuel_h: float | None


def limit_numbers(limits: Limits) -> dict[str, float]:
    """Return a shed's limits as numbers."""
    return {name: float(getattr(limits, name)) for name in _LIMITS}


def limits_from(numbers: Mapping[str, float], otherwise: Limits) -> Limits:
    """Return a shed's limits from its numbers; those it did not tell are taken from others."""
    return Limits(**{name: numbers.get(name, getattr(otherwise, name)) for name in _LIMITS})


def outlook_numbers(outlook: Outlook, fuel_h: float | None = None) -> dict[str, float]:
    """Return what a shed's outlook comes to, as numbers."""
    window = next_window(outlook)
    cures = worst(cure.verdict for cure in outlook.cures) if outlook.cures else Verdict.GO
    return {
        "outlook_at_s": outlook.issued_at.timestamp(),
        "outlook_verdict": _NUMBER[outlook.verdict],
        "live_cures": float(len(outlook.cures)),
        "cures_verdict": _NUMBER[cures],
        "window_start_s": window.start_at.timestamp() if window else 0.0,
        "window_end_s": window.end_at.timestamp() if window else 0.0,
        "fuel_h": -1.0 if fuel_h is None else fuel_h,
    }


def told_from(numbers: Mapping[str, float]) -> Told | None:
    """Return what a shed's numbers tell of its outlook; None where it told none."""
    if "outlook_at_s" not in numbers:
        return None
    start_s, end_s = numbers.get("window_start_s", 0.0), numbers.get("window_end_s", 0.0)
    fuel_h = numbers.get("fuel_h", -1.0)
    return Told(
        outlook_at=_at(numbers["outlook_at_s"]),
        live_cures=round(numbers.get("live_cures", 0.0)),
        cures_verdict=WORST_FIRST[len(WORST_FIRST) - 1 - round(numbers.get("cures_verdict", 0.0))],
        window=Stretch(_at(start_s), _at(end_s)) if end_s else None,
        fuel_h=fuel_h if fuel_h >= 0.0 else None,
    )


def _at(since_1970_s: float) -> datetime:
    return from_us(round(since_1970_s * 1e6))


def next_window(outlook: Outlook) -> Stretch | None:
    """Return the next stretch of at least `WINDOW` in which some bay stays within the shed's limits.

    Each quantity's range that holds 8 times in 10 must, at each half hour; so this errs towards
    no window. `layday windows` looks at whole courses, and at a job's own needs.
    """
    found = [stretch for bay in outlook.bays if (stretch := _bay_window(bay, outlook.limits))]
    return min(found, key=lambda stretch: stretch.start_at, default=None)


def _bay_window(bay: BayOutlook, limits: Limits) -> Stretch | None:
    rules = {
        "air_c": (limits.air_min_c, limits.air_max_c),
        "part_c": (limits.part_min_c, limits.part_max_c),
        "humidity_pct": (-np.inf, limits.humidity_max_pct),
        "margin_k": (limits.margin_min_k, np.inf),
    }
    bands = {name: bay.band(name) for name in rules}
    whole = {name: band for name, band in bands.items() if band is not None}
    if len(whole) < len(rules):
        return None  # without one of them nobody can tell
    first = whole["air_c"]
    fit = np.logical_and.reduce([_within(band, *rules[name]) for name, band in whole.items()])
    edges = np.flatnonzero(np.diff(np.concatenate(([0], fit.astype(np.int8), [0]))))
    step = timedelta(seconds=first.step_s)
    for low, high in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if (high - low) * step >= WINDOW:
            return Stretch(first.start_at + low * step, first.start_at + high * step)
    return None


def _within(band: Band, low: float, high: float) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    fit: np.ndarray[tuple[int], np.dtype[np.bool_]] = (np.array(band.low) >= low) & (
        np.array(band.high) <= high
    )
    return fit
