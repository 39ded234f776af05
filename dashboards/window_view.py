"""From windows to words and JSON. Local time and people's units appear only here."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from dashboards.care import MORE_HEAT, SHEET_DECIDES
from dashboards.view import Reader
from forecast.limits import Limit
from forecast.verdict import Verdict
from forecast.window_answer import JobWindows, Opening, Remedy, Window
from forecast.window_json import SCHEMA, dump_windows

_ENDS = {
    Limit.MARGIN: "the margin ends it",
    Limit.HUMIDITY: "humidity ends it",
    Limit.PART_COLD: "the part gets too cold",
    Limit.PART_HOT: "the part gets too warm",
    Limit.AIR_COLD: "the air gets too cold",
    Limit.AIR_HOT: "the air gets too warm",
    Limit.WORK_TIME: "later it sets too soon",
    Limit.STALL: "later it would stall",
    Limit.STAGE_LATE: "later it is not ready in time",
    Limit.HORIZON: "as far as the forecast goes",
    Limit.HOURS: "the working day ends it",
}
_IN_THE_WAY = {
    Limit.NONE: "the working day leaves no room",
    Limit.HOURS: "the working day leaves no room",
    Limit.MARGIN: "the part is too near the dew point",
    Limit.HUMIDITY: "the air is too humid",
    Limit.PART_COLD: "the part is too cold",
    Limit.PART_HOT: "the part is too warm",
    Limit.AIR_COLD: "the air is too cold",
    Limit.AIR_HOT: "the air is too warm",
    Limit.WORK_TIME: "the pot sets before it is laid",
    Limit.STALL: "the cure would stall in the cold",
    Limit.STAGE_LATE: "it is not ready in time",
    Limit.HORIZON: "the forecast does not reach so far",
}
_WAITED_FOR = {Limit.HUMIDITY: "the air to dry", Limit.MARGIN: "the dew point to fall"}
_WARMING = (Remedy.WARMER_PART, Remedy.WARMER_AIR, Remedy.MORE_HEAT)
_MOST_PCT = 99
_MIN_PER_H = 60.0
_WORTH_H, _WORTH_ODDS = 0.05, 0.005  # what is less is told as nothing
_W_PER_KW = 1000.0


def odds_pct(odds: float) -> str:
    """Return odds as a percentage; never 100 %, for nothing ahead is certain.

    >>> odds_pct(0.924), odds_pct(1.0)
    ('92 %', '99 %')
    """
    return f"{min(_MOST_PCT, round(100 * odds))} %"


def in_the_way_words(limit: Limit) -> str:
    """Return what a limit in the way means."""
    return _IN_THE_WAY[limit]


def day_words(at: datetime, today: datetime, reader: Reader) -> str:
    """Return a moment as people say it: ``today 09:40``, ``tomorrow Thu 09:40``, ``Fri 09:40``."""
    local, local_today = at.astimezone(reader.zone), today.astimezone(reader.zone)
    days = (local.date() - local_today.date()).days
    if days == 0:
        return f"today {reader.hour(at)}"
    return f"{'tomorrow ' if days == 1 else ''}{local:%a} {reader.hour(at)}"


def window_words(window: Window, at: datetime, reader: Reader) -> str:
    """Return one window: when to start, with what odds, and what ends it.

    As in ``tomorrow Thu 09:40-14:20 (92 %), humidity ends it``.
    """
    first = "now" if window.start_at <= at else day_words(window.start_at, at, reader)
    same_day = window.start_at.astimezone(reader.zone).date() == window.end_at.astimezone(reader.zone).date()
    last = reader.hour(window.end_at) if same_day else reader.clock(window.end_at, at)
    when = first if window.start_at == window.end_at else f"{first}-{last}"
    return f"{when} ({odds_pct(window.best_odds)}), {_ENDS.get(window.binds, window.binds.value)}"


def mix_words(window: Window, reader: Reader) -> str:
    """Return the catalyst that gives the work time in a window; empty where there is no resin card."""
    if window.catalyst_pct is None or window.part_c is None:
        return ""
    return f"{window.catalyst_pct:.1f} % catalyst for a part at {reader.temperature(window.part_c, 0)}"


def opening_words(one: Opening, at: datetime, reader: Reader) -> str:
    """Return what would open a window."""
    when = day_words(one.at, at, reader)
    if one.remedy is Remedy.WAIT:
        return f"wait for {_WAITED_FOR.get(one.limit, 'the warmth')}, until {when}"
    if one.remedy is Remedy.MORE_HEAT and one.power_w is not None:
        return f"{max(one.power_w, 100.0) / _W_PER_KW:.1f} kW more, vented outdoors, from {when}"
    if one.remedy is Remedy.SHORTEN and one.less_min is not None:
        return f"shorten the job by {one.less_min:.0f} min"
    if one.remedy is Remedy.SMALLER_POTS:
        return "mix smaller pots"
    if one.remedy is Remedy.DRIER and one.shift_pct is not None:
        return f"the air must be {one.shift_pct:.0f} % humidity drier for a start {when}"
    shift = reader.difference(max(one.shift_k or 0.0, 0.1))
    what = "air" if one.remedy is Remedy.WARMER_AIR or one.limit is Limit.AIR_HOT else "part"
    way = "less" if one.remedy is Remedy.COOLER else "more"
    return f"the {what} needs {shift} {way} for a start {when}"


def window_says(found: JobWindows, at: datetime, reader: Reader) -> list[str]:
    """Return one answer in short lines, what matters first; the verdict itself is not among them."""
    if found.verdict is Verdict.NO_NEWS:
        return list(found.notes)
    if not found.windows:
        return _none_says(found, at, reader)
    first = next(one for one in found.windows if one.verdict is found.verdict)
    lines = [window_words(first, at, reader)]
    if mix := mix_words(first, reader):
        lines.append(mix)
    again = [one for one in found.windows if one is not first and one.verdict is Verdict.GO]
    lines += [f"again {window_words(one, at, reader)}" for one in again]
    if found.verdict is not Verdict.GO:
        lines += [opening_words(one, at, reader) for one in found.openings]
    return lines


def _none_says(found: JobWindows, at: datetime, reader: Reader) -> list[str]:
    best = ""
    if found.best_at is not None:
        best = f"; at best {odds_pct(found.best_odds)}, {day_words(found.best_at, at, reader)}"
    if found.best_odds < _WORTH_ODDS:
        best = "; no hour comes near"
    lines = [f"not in 72 h: {_IN_THE_WAY[found.binds]}{best}"]
    if found.longest_min < found.needed_min < float("inf"):
        needs_h, longest_h = found.needed_min / _MIN_PER_H, found.longest_min / _MIN_PER_H
        good = (
            f"the longest good stretch is {longest_h:.1f} h"
            if longest_h >= _WORTH_H
            else "no part of it is good"
        )
        lines.append(f"needs {needs_h:.1f} h, {good}")
    return lines + [opening_words(one, at, reader) for one in found.openings]


def window_sentence(found: JobWindows, at: datetime, reader: Reader) -> str:
    """Return one answer as one plain sentence, for screen readers, logs and `--plain`."""
    says = "; ".join(window_says(found, at, reader))
    return f"{found.bay}, {found.job}: {found.verdict.value}, {says}."


def window_cautions(found: Sequence[JobWindows]) -> list[str]:
    """Return what can hurt where these answers are followed; nothing where none advises anything."""
    shown = [one for answer in found if answer.verdict is not Verdict.GO for one in answer.openings]
    told = [MORE_HEAT] if any(one.remedy in _WARMING for one in shown) else []
    return [*told, SHEET_DECIDES] if shown or any(answer.windows for answer in found) else told


def hour_marks(found: JobWindows, at: datetime, cell_h: int = 1, hours: int = 72) -> str:
    """Return the hours ahead as marks: ``#`` some start is go, ``+`` some is tight, ``.`` none."""
    marks = []
    for cell in range(0, hours, cell_h):
        begin, end = at + timedelta(hours=cell), at + timedelta(hours=cell + cell_h)
        here = {one.verdict for one in found.windows if one.start_at < end and one.end_at >= begin}
        marks.append("#" if Verdict.GO in here else "+" if here else ".")
    return "".join(marks)


def windows_json(found: Sequence[JobWindows], at: datetime, notes: Sequence[str] = ()) -> dict[str, object]:
    """Return the answers as ``layday/windows/1``; numbers stay in °C, K, % and minutes."""
    return {
        "schema": SCHEMA,
        "at": at.isoformat().replace("+00:00", "Z"),
        "windows": [dump_windows(one) for one in found],
        "notes": list(notes),
    }
