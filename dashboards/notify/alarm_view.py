"""Alarms, their history and messages as lines and JSON for the command line."""

from collections.abc import Iterator, Sequence
from datetime import datetime

from dashboards.notify.desk import Line
from dashboards.notify.outbox import Delivery, State
from dashboards.notify.sayings import saying
from dashboards.notify.states import Alarm, Standing
from dashboards.notify.watch import Watch
from dashboards.view import Reader, age_words

_PEOPLE = ("first", "second")


def alarm_lines(watch: Watch, reader: Reader, at: datetime) -> Iterator[str]:
    """Yield what stands, and what came and went unseen, in plain lines."""
    shown = [alarm for alarm in watch.alarms if alarm.standing is not Standing.NORMAL]
    if not shown:
        yield "No alarm stands."
    for alarm in shown:
        said = saying(alarm, reader, at)
        yield f"{alarm.name}  {_standing(alarm, reader, at)}: {said.what}."
        if alarm.is_live:
            yield f"     What to do: {said.do}."
            if said.sure:
                yield f"     How sure: {said.sure}."


def _standing(alarm: Alarm, reader: Reader, at: datetime) -> str:
    since = reader.clock(alarm.since, at)
    if alarm.standing is Standing.SET_ASIDE and alarm.aside_until is not None:
        return f"set aside until {reader.clock(alarm.aside_until, at)}"
    by = f" by {alarm.answered_by}" if alarm.standing is Standing.ACKNOWLEDGED else ""
    return f"{alarm.standing.value}{by} since {since}"


def history_lines(lines: Sequence[Line], reader: Reader, at: datetime) -> Iterator[str]:
    """Yield the history in plain lines."""
    if not lines:
        yield "Nothing has happened yet."
    for line in lines:
        by = f" by {line.by}" if line.by else ""
        took = f" after {age_words(line.answer_s)}" if line.answer_s is not None else ""
        yield f"{reader.clock(line.at, at)}  {line.alarm}  {line.spot}: {line.turn}{by}{took}"


def history_json(lines: Sequence[Line]) -> dict[str, object]:
    """Return the history as ``layday/alarm-history/1``."""
    return {
        "schema": "layday/alarm-history/1",
        "lines": [
            {
                "at": _utc(line.at),
                "alarm": line.alarm,
                "spot": line.spot,
                "turn": line.turn,
                "by": line.by,
                "answer_s": line.answer_s,
            }
            for line in lines
        ],
    }


def message_lines(found: Sequence[Delivery], reader: Reader, at: datetime) -> Iterator[str]:
    """Yield messages in plain lines."""
    if not found:
        yield "No message was ever written."
    for one in found:
        made = reader.clock(one.message.made_at, at)
        yield f"{made}  to {_PEOPLE[one.person]}: {one.message.head}: {_how(one)}"


def _how(one: Delivery) -> str:
    if one.state is State.SENT:
        return f"sent by {one.channel}"
    tries = f" after {one.tries} tries ({one.said})" if one.tries else ""
    return f"{one.state.value}{tries}"


def messages_json(found: Sequence[Delivery]) -> dict[str, object]:
    """Return messages as ``layday/messages/1``."""
    return {
        "schema": "layday/messages/1",
        "messages": [
            {
                "key": one.message.key,
                "person": _PEOPLE[one.person],
                "head": one.message.head,
                "text": one.message.text,
                "weight": one.message.weight.name.lower(),
                "made_at": _utc(one.message.made_at),
                "until_at": _utc(one.message.until_at),
                "state": one.state.value,
                "channel": one.channel,
                "tries": one.tries,
                "said": one.said,
                "done_at": None if one.done_at is None else _utc(one.done_at),
            }
            for one in found
        ],
    }


def _utc(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")
