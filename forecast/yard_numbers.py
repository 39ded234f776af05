"""A shed in a few numbers, for whoever looks at two hundred of them: what is told, and what is read of it.

Fields of the measurement ``layday_shed``, all floats:

- the shed's limits by their names, and `stale_after_s`;
- `outlook_at_s`, when the outlook was made [s since 1970 UTC], and `outlook_verdict`;
- `live_cures`, how many, and `cures_verdict`, the worst of theirs;
- `window_start_s`, `window_end_s`, the first and last start of the next window of a planned job [s since 1970
  UTC], 0 for none in sight, and `window_verdict`, go or tight (a shed that does not tell it tells only go);
- `fuel_h`, how long the fuel lasts [h], 72 for that or longer; below 0 where nobody knows.

A verdict is 0 for go, 1 tight, 2 no-go, 3 no news.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from collector.clock import from_us
from forecast.outlook import Outlook
from forecast.verdict import WORST_FIRST, Limits, Verdict, worst

FUEL_FAR_H = 72.0
"""Beyond it fuel is not looked at: what lasts as long, lasts."""

_NUMBER = {verdict: float(len(WORST_FIRST) - 1 - i) for i, verdict in enumerate(WORST_FIRST)}
_LIMITS = tuple(Limits.__dataclass_fields__)


@dataclass(frozen=True, slots=True)
class Stretch:
    """From when to when a job can be started, and with which verdict, `go` or `tight`."""

    start_at: datetime
    end_at: datetime
    verdict: Verdict = Verdict.GO


@dataclass(frozen=True, slots=True)
class Told:
    """What a shed's outlook told: when, its cures, its next window, its fuel [h]."""

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


def outlook_numbers(outlook: Outlook) -> dict[str, float]:
    """Return what a shed's outlook comes to, as numbers."""
    window, fuel_h = next_window(outlook), fuel_lasts_h(outlook)
    cures = worst(cure.verdict for cure in outlook.cures) if outlook.cures else Verdict.GO
    return {
        "outlook_at_s": outlook.issued_at.timestamp(),
        "outlook_verdict": _NUMBER[outlook.verdict],
        "live_cures": float(len(outlook.cures)),
        "cures_verdict": _NUMBER[cures],
        "window_start_s": window.start_at.timestamp() if window else 0.0,
        "window_end_s": window.end_at.timestamp() if window else 0.0,
        "window_verdict": _NUMBER[window.verdict if window else Verdict.GO],
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
        cures_verdict=_verdict(numbers, "cures_verdict"),
        window=Stretch(_at(start_s), _at(end_s), _verdict(numbers, "window_verdict")) if end_s else None,
        fuel_h=fuel_h if fuel_h >= 0.0 else None,
    )


def _verdict(numbers: Mapping[str, float], name: str) -> Verdict:
    return WORST_FIRST[len(WORST_FIRST) - 1 - round(numbers.get(name, _NUMBER[Verdict.GO]))]


def _at(since_1970_s: float) -> datetime:
    return from_us(round(since_1970_s * 1e6))


def next_window(outlook: Outlook) -> Stretch | None:
    """Return the next stretch in which a planned job can be started: the first to `go`, else the first tight.

    These are the windows that `layday windows` tells, with their odds; a shed without a planned job has the
    usual one. Over by the outlook's moment counts as past.
    """
    found = [
        window
        for bay in outlook.bays
        for job in bay.windows
        for window in job.windows
        if window.end_at >= outlook.issued_at
    ]
    for verdict in (Verdict.GO, Verdict.TIGHT):
        first = min(
            (window for window in found if window.verdict is verdict),
            key=lambda window: window.start_at,
            default=None,
        )
        if first is not None:
            return Stretch(first.start_at, first.end_at, verdict)
    return None


def fuel_lasts_h(outlook: Outlook) -> float | None:
    """Return how long the fuel lasts [h], `FUEL_FAR_H` for that or longer; None where nobody knows."""
    fuels = [
        bay.heater.fuel for bay in outlook.bays if bay.heater is not None and bay.heater.fuel is not None
    ]
    known = [FUEL_FAR_H if fuel.lasts_h is None else min(fuel.lasts_h, FUEL_FAR_H) for fuel in fuels]
    return min(known, default=None)
