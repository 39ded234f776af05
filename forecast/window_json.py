"""Windows as plain data and back: what is stored, and what other programs read."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from forecast.limits import Limit
from forecast.verdict import Verdict
from forecast.window_answer import JobWindows, Opening, Remedy, Window

SCHEMA = "layday/windows/1"


def dump_windows(found: JobWindows) -> dict[str, Any]:
    """Return one answer as JSON has it: times in UTC, numbers in the units their names end in."""
    return {
        "bay": found.bay,
        "job": found.job,
        "verdict": found.verdict.value,
        "now": found.now.value,
        "windows": [_window(one) for one in found.windows],
        "best_at": _iso(found.best_at),
        "best_odds": round(found.best_odds, 4),
        "binds": found.binds.value,
        "needed_min": _finite(found.needed_min),
        "longest_min": _finite(found.longest_min),
        "openings": [_opening(one) for one in found.openings],
        "notes": list(found.notes),
    }


def load_windows(data: Mapping[str, Any]) -> JobWindows:
    """Return what `dump_windows` wrote; the odds by start are not among it.

    Raises
    ------
    KeyError, ValueError
        If it is not what was written.
    """
    return JobWindows(
        bay=data["bay"],
        job=data["job"],
        verdict=Verdict(data["verdict"]),
        now=Verdict(data["now"]),
        windows=tuple(_loaded_window(one) for one in data["windows"]),
        best_at=_moment(data["best_at"]),
        best_odds=data["best_odds"],
        binds=Limit(data["binds"]),
        needed_min=_or_never(data["needed_min"]),
        longest_min=_or_never(data["longest_min"]),
        openings=tuple(_loaded_opening(one) for one in data["openings"]),
        notes=tuple(data["notes"]),
    )


def _window(one: Window) -> dict[str, Any]:
    return {
        "start_at": _iso(one.start_at),
        "end_at": _iso(one.end_at),
        "verdict": one.verdict.value,
        "odds": round(one.odds, 4),
        "best_odds": round(one.best_odds, 4),
        "best_at": _iso(one.best_at),
        "binds": one.binds.value,
        "catalyst_pct": one.catalyst_pct,
        "part_c": one.part_c,
    }


def _loaded_window(data: Mapping[str, Any]) -> Window:
    return Window(
        start_at=datetime.fromisoformat(data["start_at"]),
        end_at=datetime.fromisoformat(data["end_at"]),
        verdict=Verdict(data["verdict"]),
        odds=data["odds"],
        best_odds=data["best_odds"],
        best_at=datetime.fromisoformat(data["best_at"]),
        binds=Limit(data["binds"]),
        catalyst_pct=data["catalyst_pct"],
        part_c=data["part_c"],
    )


def _opening(one: Opening) -> dict[str, Any]:
    return {
        "remedy": one.remedy.value,
        "limit": one.limit.value,
        "at": _iso(one.at),
        "shift_k": one.shift_k,
        "shift_pct": one.shift_pct,
        "less_min": one.less_min,
        "power_w": one.power_w,
    }


def _loaded_opening(data: Mapping[str, Any]) -> Opening:
    return Opening(
        remedy=Remedy(data["remedy"]),
        limit=Limit(data["limit"]),
        at=datetime.fromisoformat(data["at"]),
        shift_k=data["shift_k"],
        shift_pct=data["shift_pct"],
        less_min=data["less_min"],
        power_w=data.get("power_w"),
    )


def _iso(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat().replace("+00:00", "Z")


def _moment(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _finite(value: float) -> float | None:
    """JSON has no infinity; what never comes is null."""
    return value if value < float("inf") else None


def _or_never(value: float | None) -> float:
    return float("inf") if value is None else value
