"""A yard in words: one line a shed."""

from collections.abc import Sequence
from datetime import datetime
from math import floor

from dashboards.view import Reader, age_words, reason_words
from forecast.verdict import Verdict
from forecast.yard import ShedLine
from forecast.yard_numbers import FUEL_FAR_H, Stretch

SCHEMA = "layday/yard/1"
_UNKNOWN = "?"


def yard_json(lines: Sequence[ShedLine], at: datetime, reader: Reader) -> dict[str, object]:
    """Return ``layday/yard/1``: every shed, the worst first; what is not known is null."""
    return {"schema": SCHEMA, "at": _iso(at), "sheds": [_shed_json(line, at, reader) for line in lines]}


def _shed_json(line: ShedLine, at: datetime, reader: Reader) -> dict[str, object]:
    told = line.told
    window = told.window if told else None
    return {
        "shed": line.shed,
        "verdict": line.verdict.value,
        "bay": line.worst_bay.bay if line.worst_bay else None,
        "reason": _reason(line, reader),
        "live_cures": told.live_cures if told else None,
        "cures_verdict": told.cures_verdict.value if told and told.live_cures else None,
        "window": _window_json(window) if window else None,
        "fuel_h": told.fuel_h if told else None,
        "outlook_at": _iso(told.outlook_at) if told else None,
        "heard_at": _iso(line.heard_at) if line.heard_at else None,
        "age_s": round((at - line.heard_at).total_seconds(), 3) if line.heard_at else None,
    }


def _window_json(window: Stretch) -> dict[str, str]:
    ends = {"start": _iso(window.start_at), "end": _iso(window.end_at)}
    return {**ends, "verdict": window.verdict.value}


def yard_cells(line: ShedLine, at: datetime, reader: Reader) -> tuple[str, ...]:
    """Return a shed's line: name, verdict, cures, next window, fuel, age of its newest reading, why."""
    return (
        line.shed,
        line.verdict.value,
        cures_words(line),
        window_words(line, at, reader),
        fuel_words(line),
        age_words((at - line.heard_at).total_seconds()) if line.heard_at else "silent",
        _reason(line, reader),
    )


def yard_sentence(line: ShedLine, at: datetime, reader: Reader) -> str:
    """Return a shed in a plain sentence."""
    _, verdict, cures, window, fuel, age, why = yard_cells(line, at, reader)
    parts = [
        f"live cures {cures}",
        f"next window {window}",
        f"fuel {fuel}",
        f"newest reading {age}{' old' if line.heard_at else ''}",
    ]
    return f"{line.shed}: {verdict}{f' ({why})' if why else ''}; {', '.join(parts)}."


def cures_words(line: ShedLine) -> str:
    """Return how many cures are live, and how the worst of them stands."""
    if line.told is None:
        return _UNKNOWN
    if not line.told.live_cures or line.told.cures_verdict is Verdict.GO:
        return str(line.told.live_cures)
    return f"{line.told.live_cures} ({line.told.cures_verdict.value})"


def window_words(line: ShedLine, at: datetime, reader: Reader) -> str:
    """Return when the next planned job can be started, in the desk's local time."""
    if line.told is None:
        return _UNKNOWN
    window = line.told.window
    if window is None:
        return "none in sight"
    tight = " (tight)" if window.verdict is Verdict.TIGHT else ""
    first = "now" if window.start_at <= at else reader.clock(window.start_at, at)
    return f"{first} to {reader.clock(window.end_at, at)}{tight}"


def fuel_words(line: ShedLine) -> str:
    """Return for how long the fuel lasts, rounded down."""
    if line.told is None or line.told.fuel_h is None:
        return _UNKNOWN
    if line.told.fuel_h >= FUEL_FAR_H:
        return "over 3 days"
    return f"{floor(line.told.fuel_h)} h"


def _reason(line: ShedLine, reader: Reader) -> str:
    if line.told and line.told.live_cures and line.told.cures_verdict is line.verdict is not Verdict.GO:
        bay_is_better = line.worst_bay is None or line.worst_bay.verdict is not line.verdict
        if bay_is_better:
            return "a cure is off track" if line.verdict is Verdict.NO_GO else "look at its cures"
    if line.worst_bay is None:
        return "nothing heard for two days"
    if line.verdict is Verdict.GO or not line.worst_bay.reasons:
        return ""
    return f"{line.worst_bay.bay}: {reason_words(line.worst_bay.reasons[0], reader)}"


def _iso(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")
