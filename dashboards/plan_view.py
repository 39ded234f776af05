"""From a plan to words and JSON. Local time appears only here."""

from collections.abc import Sequence
from datetime import datetime

from dashboards.care import SHEET_DECIDES
from dashboards.view import Reader
from dashboards.window_view import day_words, in_the_way_words, odds_pct
from forecast.limits import Limit
from forecast.plan import Placed, Plan, Schedule

SCHEMA = "layday/plan/1"


def plan_lines(found: Plan, at: datetime, reader: Reader) -> list[str]:
    """Return a plan in lines: the earliest schedule, then the surest where that is another."""
    if found.surest is None:
        return [_stuck_words(found)]
    lines = []
    if found.earliest is None:
        lines.append(f"NO-GO: the surest schedule has odds of {odds_pct(found.surest.odds)}")
    else:
        lines += _schedule_lines("earliest", found.earliest, at, reader)
    if found.surest != found.earliest:
        lines += _schedule_lines("surest", found.surest, at, reader)
    return [*lines, f"- {SHEET_DECIDES}"]


def plan_sentence(found: Plan, at: datetime, reader: Reader) -> str:
    """Return a plan as one plain sentence."""
    if found.surest is None:
        return f"{_stuck_words(found)}."
    said = []
    for which, schedule in (("earliest", found.earliest), ("surest", found.surest)):
        if schedule is not None and not (which == "surest" and schedule == found.earliest):
            jobs = ", then ".join(_job_words(one, at, reader) for one in schedule.placed)
            said.append(f"The {which}, {schedule.verdict.value}, {odds_pct(schedule.odds)}: {jobs}.")
    return " ".join([*said, f"{SHEET_DECIDES[:1].upper()}{SHEET_DECIDES[1:]}."])


def _job_words(one: Placed, at: datetime, reader: Reader) -> str:
    done = reader.clock(one.done_at, one.start_at)
    return f"{one.job} in {one.bay} {day_words(one.start_at, at, reader)} to {done}"


def _stuck_words(found: Plan) -> str:
    if found.binds is Limit.STAGE_LATE:
        return f"NO-GO: {found.stuck} cannot follow in time: the wait for the job before it is too long"
    return f"NO-GO: {found.stuck}: {in_the_way_words(found.binds)}"


def _schedule_lines(which: str, schedule: Schedule, at: datetime, reader: Reader) -> list[str]:
    lines = [f"{schedule.verdict.value.upper()} {which} ({odds_pct(schedule.odds)})"]
    for one in schedule.placed:
        done = reader.clock(one.done_at, one.start_at)
        work = "" if one.work_at == one.start_at else f", lay from {reader.clock(one.work_at, one.start_at)}"
        when = f"{day_words(one.start_at, at, reader)}-{done}"
        lines.append(f"  {when}  {one.bay}: {one.job}{work} ({odds_pct(one.odds)} so far)")
    return lines


def plan_json(found: Plan, at: datetime, notes: Sequence[str]) -> dict[str, object]:
    """Return a plan as ``layday/plan/1``."""
    return {
        "schema": SCHEMA,
        "at": _iso(at),
        "earliest": _schedule_json(found.earliest),
        "surest": _schedule_json(found.surest),
        "stuck": found.stuck or None,
        "binds": found.binds.value,
        "notes": list(notes),
    }


def _schedule_json(schedule: Schedule | None) -> dict[str, object] | None:
    if schedule is None:
        return None
    jobs = [
        {
            "job": one.job,
            "bay": one.bay,
            "start_at": _iso(one.start_at),
            "work_at": _iso(one.work_at),
            "done_at": _iso(one.done_at),
            "odds": round(one.odds, 4),
        }
        for one in schedule.placed
    ]
    return {"verdict": schedule.verdict.value, "odds": round(schedule.odds, 4), "jobs": jobs}


def _iso(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")
