"""Messages on their way: kept until somebody's channel has taken them, or until they are worth nothing.

A message goes to a person once. What was being sent when layday was killed is sent again under the same
name: a push server edits in place and mail programs show one, but a service that knows no names may show two.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cache

from pydantic import TypeAdapter

from collector.clock import from_us, to_us
from dashboards.notify.alarm_file import AlarmFile
from dashboards.notify.message import Message

KEEP = timedelta(days=30)
_US_PER_S = 1_000_000


class State(StrEnum):
    """Where a message to one person stands."""

    WAITING = "waiting"
    TRYING = "trying"
    SENT = "sent"
    EXPIRED = "expired"
    CANCELLED = "cancelled"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message to one person: `person` 0 is the first. `tries` counts attempts so far."""

    number: int
    person: int
    message: Message
    tries: int
    state: State = State.WAITING
    channel: str = ""
    said: str = ""
    done_at: datetime | None = None


@cache
def _adapter() -> TypeAdapter[Message]:
    return TypeAdapter(Message)


def put(con: sqlite3.Connection, message: Message, people: Sequence[int]) -> None:
    """Put a message into the outbox, inside a transaction; one whose key was there before is left out."""
    until_us, hold_at = to_us(message.until_at), message.hold_until or message.made_at
    row = con.execute(
        "INSERT OR IGNORE INTO message (key, weight, until_us, text) VALUES (?, ?, ?, ?)",
        (message.key, int(message.weight), until_us, _adapter().dump_json(message).decode()),
    )
    if row.rowcount == 0:
        return
    number = row.lastrowid
    con.executemany(
        "INSERT INTO about (alarm, message) VALUES (?, ?)", [(name, number) for name in message.alarms]
    )
    con.executemany(
        "INSERT INTO delivery (message, person, state, next_us, tries, channel, said) "
        "VALUES (?, ?, 'waiting', ?, 0, '', '')",
        [(number, person, to_us(hold_at)) for person in people],
    )


def cancel(con: sqlite3.Connection, alarm: str, at: datetime) -> tuple[set[int], set[int]]:
    """Cancel what nobody was told yet of an alarm, inside a transaction.

    Returns the people who have been told of it, and those who never will be.
    """
    rows = con.execute(
        "SELECT d.message, d.person, d.state FROM delivery d JOIN about a ON a.message = d.message "
        "WHERE a.alarm = ?",
        (alarm,),
    ).fetchall()
    told = {person for _, person, state in rows if state in {State.SENT, State.TRYING}}
    waiting = [(number, person) for number, person, state in rows if state == State.WAITING]
    con.executemany(
        "UPDATE delivery SET state = 'cancelled', done_us = ? WHERE message = ? AND person = ?",
        [(to_us(at), number, person) for number, person in waiting],
    )
    return told, {person for _, person in waiting} - told


def reached(con: sqlite3.Connection) -> dict[str, datetime]:
    """Return when word of each alarm, by its name, first reached somebody."""
    rows = con.execute(
        "SELECT a.alarm, MIN(d.done_us) FROM about a JOIN delivery d ON d.message = a.message "
        "WHERE d.state = 'sent' GROUP BY a.alarm"
    )
    return {alarm: from_us(done_us) for alarm, done_us in rows}


class Outbox:
    """What waits, as its couriers see it."""

    def __init__(self, file: AlarmFile) -> None:
        self._file = file

    def restart(self, person: int) -> None:
        """Take up what was being sent when the last courier of a person ended."""
        with self._file.writing() as con:
            con.execute(
                "UPDATE delivery SET state = 'waiting' WHERE state = 'trying' AND person = ?", (person,)
            )

    def due(self, person: int, at: datetime) -> Delivery | None:
        """Return the next message for a person, the most urgent first, and mark it as being sent.

        Whatever is worth nothing any more expires first.
        """
        at_us = to_us(at)
        with self._file.writing() as con:
            con.execute(
                "UPDATE delivery SET state = 'expired', done_us = ? WHERE state = 'waiting' AND person = ? "
                "AND message IN (SELECT n FROM message WHERE until_us <= ?)",
                (at_us, person, at_us),
            )
            row = con.execute(
                "SELECT d.message, d.tries, m.text FROM delivery d JOIN message m ON m.n = d.message "
                "WHERE d.state = 'waiting' AND d.person = ? AND d.next_us <= ? "
                "ORDER BY m.weight DESC, m.n LIMIT 1",
                (person, at_us),
            ).fetchone()
            if row is None:
                return None
            con.execute(
                "UPDATE delivery SET state = 'trying', tries = tries + 1 WHERE message = ? AND person = ?",
                (row[0], person),
            )
        return Delivery(row[0], person, _adapter().validate_json(row[2]), row[1], State.TRYING)

    def is_due(self, person: int, at: datetime) -> bool:
        """Say whether `due` would find or expire something, without writing."""
        at_us = to_us(at)
        with self._file.reading() as con:
            row = con.execute(
                "SELECT 1 FROM delivery d JOIN message m ON m.n = d.message WHERE d.state = 'waiting' "
                "AND d.person = ? AND (d.next_us <= ? OR m.until_us <= ?) LIMIT 1",
                (person, at_us, at_us),
            ).fetchone()
        return row is not None

    def done(self, delivery: Delivery, state: State, channel: str, said: str, at: datetime) -> None:
        """Note how a delivery ended."""
        with self._file.writing() as con:
            con.execute(
                "UPDATE delivery SET state = ?, channel = ?, said = ?, done_us = ? "
                "WHERE message = ? AND person = ?",
                (state.value, channel, said[:500], to_us(at), delivery.number, delivery.person),
            )

    def later(self, delivery: Delivery, said: str, at: datetime, wait_s: float) -> None:
        """Try a message again after `wait_s` [s]; it expires meanwhile if its time comes."""
        with self._file.writing() as con:
            con.execute(
                "UPDATE delivery SET state = 'waiting', said = ?, next_us = ? "
                "WHERE message = ? AND person = ?",
                (said[:500], to_us(at) + int(wait_s * _US_PER_S), delivery.number, delivery.person),
            )

    def all(self, newest: int = 50) -> list[Delivery]:
        """Return the newest deliveries, the last first."""
        with self._file.reading() as con:
            rows = con.execute(
                "SELECT d.message, d.person, m.text, d.tries, d.state, d.channel, d.said, d.done_us "
                "FROM delivery d JOIN message m ON m.n = d.message ORDER BY m.n DESC, d.person LIMIT ?",
                (newest,),
            ).fetchall()
        return [
            Delivery(
                n, person, _adapter().validate_json(text), tries, State(state), channel, said, _at(done_us)
            )
            for n, person, text, tries, state, channel, said, done_us in rows
        ]

    def tidy(self, at: datetime) -> None:
        """Let go of messages long past."""
        limit_us = to_us(at - KEEP)
        with self._file.writing() as con:
            old = "SELECT n FROM message WHERE until_us < ?"
            con.execute(f"DELETE FROM delivery WHERE message IN ({old})", (limit_us,))  # noqa: S608  constant
            con.execute(f"DELETE FROM about WHERE message IN ({old})", (limit_us,))  # noqa: S608  constant
            con.execute("DELETE FROM message WHERE until_us < ?", (limit_us,))


def _at(at_us: int | None) -> datetime | None:
    return None if at_us is None else from_us(at_us)
