"""Where alarms are kept, looked at and answered: each in one transaction, so that kill -9 tears nothing."""

import json
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache

from pydantic import TypeAdapter

from collector.clock import from_us, to_us
from dashboards.notify.alarm_file import AlarmFile
from dashboards.notify.causes import OF_A_CURES_FATE
from dashboards.notify.courier import Letterhead
from dashboards.notify.message import Message, message_of
from dashboards.notify.outbox import cancel, put, reached
from dashboards.notify.picture import picture_svg
from dashboards.notify.scene import Scene
from dashboards.notify.shed_findings import findings
from dashboards.notify.states import Alarm, Turn, acknowledged, set_aside
from dashboards.notify.watch import Happened, Kind, Notice, Policy, Step, Watch, step

KEEP = timedelta(days=400)
"""A season's history and more."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the history; `answer_s` [s] is how long after the telling somebody answered."""

    at: datetime
    alarm: str
    spot: str
    turn: str
    by: str
    answer_s: float | None


@cache
def _adapter() -> TypeAdapter[Watch]:
    return TypeAdapter(Watch)


class Desk:
    """Alarms of one shed. `people` is how many have channels: 0, 1 or 2."""

    def __init__(self, file: AlarmFile, letterhead: Letterhead, policy: Policy, people: int) -> None:
        self._file = file
        self._letterhead = letterhead
        self._policy = policy
        self._people = people

    def watch(self) -> Watch:
        """Return the alarms as they stand."""
        with self._file.reading() as con:
            return _load(con)

    def look(self, scene: Scene) -> Step:
        """Judge a scene, keep what it came to, and put what is to be told into the outbox."""
        found = findings(scene)
        with self._file.writing() as con:
            before = _load(con)
            made = step(before, found, scene.at, self._policy, reached(con) if self._people else None)
            for one in made.happened:
                _note(con, one, "")
                if one.turn is Turn.ANEW:
                    cancel(con, one.alarm.name, scene.at)
            for notice in made.notices:
                self._post(con, notice, scene)
            if made.watch != before:
                _save(con, made.watch)
        return made

    def post(self, message: Message) -> None:
        """Put a message that is no alarm into the outbox, once for each key."""
        with self._file.writing() as con:
            put(con, message, range(min(self._people, 1)))

    def acknowledge(self, names: Iterable[str], by: str, at: datetime) -> list[Alarm]:
        """Mark alarms as seen, ``all`` for every one; return those that were."""
        return self._change(names, Turn.ACKNOWLEDGED, by, at, lambda alarm: acknowledged(alarm, at, by))

    def set_aside(self, names: Iterable[str], until: datetime, by: str, at: datetime) -> list[Alarm]:
        """Put alarms aside until a moment; return those that were.

        Raises
        ------
        ValueError
            If `until` is not after `at`.
        """
        return self._change(names, Turn.SET_ASIDE, by, at, lambda alarm: set_aside(alarm, at, until, by))

    def history(self, newest: int) -> list[Line]:
        """Return what happened, the last first."""
        with self._file.reading() as con:
            rows = con.execute(
                "SELECT at_us, alarm, spot, turn, by_whom, answer_s FROM history ORDER BY n DESC LIMIT ?",
                (newest,),
            ).fetchall()
        return [Line(from_us(at_us), *rest) for at_us, *rest in rows]

    def tidy(self, at: datetime) -> None:
        """Let go of history long past."""
        with self._file.writing() as con:
            con.execute("DELETE FROM history WHERE at_us < ?", (to_us(at - KEEP),))

    def _change(
        self,
        names: Iterable[str],
        turn: Turn,
        by: str,
        at: datetime,
        change: Callable[[Alarm], Alarm],
    ) -> list[Alarm]:
        wanted = set(names)
        changed = []
        with self._file.writing() as con:
            watch = _load(con)
            alarms = []
            for before in watch.alarms:
                named = before.number and (before.name in wanted or "all" in wanted)
                after = change(before) if named else before
                alarms.append(after)
                if after != before:
                    changed.append(after)
                    cancel(con, after.name, at)
                    _note(con, Happened(at, after, turn), by)
            if changed:
                _save(con, replace(watch, alarms=tuple(alarms)))
        return changed

    def _post(self, con: sqlite3.Connection, notice: Notice, scene: Scene) -> None:
        if not self._people:
            return
        people: Sequence[int] = range(self._people if notice.second else 1)
        if notice.kind is Kind.CLEARED:
            told: set[int] = set()
            for alarm in notice.alarms:
                told |= cancel(con, alarm.name, notice.at)[0]
            people = sorted(told & set(range(self._people)))
        escalates_at = notice.at + self._policy.escalate_after if _may_escalate(notice) else None
        message = message_of(notice, self._letterhead.shed, self._letterhead.reader, escalates_at)
        bay = next((one.spot.bay for one in notice.alarms if one.spot.cause in OF_A_CURES_FATE), "")
        if bay and notice.kind is not Kind.CLEARED:
            picture = picture_svg(scene.outlook, bay, notice.at, self._letterhead.reader)
            message = replace(message, picture_svg=picture)
        if people:
            put(con, message, people)


def _may_escalate(notice: Notice) -> bool:
    return notice.kind is Kind.RAISED and notice.urgent


def _load(con: sqlite3.Connection) -> Watch:
    row = con.execute("SELECT text FROM watch").fetchone()
    return Watch() if row is None else _adapter().validate_json(row[0])


def _save(con: sqlite3.Connection, watch: Watch) -> None:
    text = _adapter().dump_json(watch).decode()
    con.execute("INSERT OR REPLACE INTO watch (one, text) VALUES (1, ?)", (text,))


def _note(con: sqlite3.Connection, happened: Happened, by: str) -> None:
    alarm = happened.alarm
    answer_s = None
    if happened.turn is Turn.ACKNOWLEDGED and alarm.told_at is not None:
        answer_s = (happened.at - alarm.told_at).total_seconds()
    con.execute(
        "INSERT INTO history (at_us, alarm, spot, turn, by_whom, answer_s) VALUES (?, ?, ?, ?, ?, ?)",
        (to_us(happened.at), alarm.name, alarm.spot.words, happened.turn.value, by, answer_s),
    )


def alarms_json(watch: Watch) -> dict[str, object]:
    """Return the alarms that stand, or are cleared and unseen, as ``layday/alarms/1``."""
    raw = json.loads(_adapter().dump_json(watch))
    kept = [one for one in raw["alarms"] if one["standing"] != "normal"]
    for one in kept:
        one["name"] = f"a{one['number']}"
    return {"schema": "layday/alarms/1", "alarms": kept}
