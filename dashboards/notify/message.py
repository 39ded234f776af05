"""What goes out: a notice in words, whatever carries it."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntEnum

from dashboards.notify.sayings import saying
from dashboards.notify.states import Alarm
from dashboards.notify.watch import Kind, Notice
from dashboards.view import Reader, age_words

LATE_FROM = timedelta(minutes=10)
"""A message that waited longer than this says so: what it tells of may have changed."""
STALE_AFTER = timedelta(hours=8)
"""What has no end of its own is worth nothing after a night."""

WAKE_BEFORE = timedelta(hours=1)
"""Who asks to be woken for something is best woken so long before it has to be done: our choice."""


class Weight(IntEnum):
    """How much a message may disturb."""

    QUIET = 1
    USUAL = 2
    URGENT = 3


@dataclass(frozen=True, slots=True)
class Message:
    """One message: `thread` is edited in place where the service can, `key` comes only once.

    `made_at` is when it was made, `until_at` when it is worth nothing any more. `alarms` are the names of the
    alarms it raises; a message of none is no alarm.
    """

    key: str
    thread: str
    head: str
    text: str
    weight: Weight
    made_at: datetime
    until_at: datetime
    hold_until: datetime | None = None
    second: bool = False
    alarms: tuple[str, ...] = ()
    picture_svg: str = ""

    def text_at(self, at: datetime, reader: Reader) -> str:
        """Return its text, and where it comes late, how late."""
        waited = at - max(self.made_at, self.hold_until or self.made_at)
        if waited < LATE_FROM:
            return self.text
        made = reader.clock(self.made_at, at)
        late = age_words(waited.total_seconds())
        return f"LATE: written at {made}, could not be sent for {late}; it may have changed.\n\n{self.text}"


def message_of(notice: Notice, shed: str, reader: Reader, escalates_at: datetime | None = None) -> Message:
    """Return a notice in words.

    Parameters
    ----------
    notice : Notice
        What is told.
    shed : str
        The shed's name.
    reader : Reader
        Whom the words are for.
    escalates_at : datetime, optional
        When the second person is told if nobody answers; None where that will not be.
    """
    names = tuple(alarm.name for alarm in notice.alarms)
    if notice.kind is Kind.CLEARED:
        head, text, weight = _cleared(notice, reader)
    else:
        head, text = _raised(notice, reader, escalates_at)
        weight = Weight.URGENT if notice.urgent else Weight.QUIET if notice.silent else Weight.USUAL
    return Message(
        key=f"{notice.kind.value}-{'-'.join(names)}-{notice.at:%Y%m%dT%H%M%S}",
        thread=notice.thread,
        head=head,
        text=f"{text}\n\n{shed}, {reader.clock(notice.at, notice.at)}. layday advises; it switches nothing.",
        weight=weight,
        made_at=notice.at,
        until_at=notice.until_at or (notice.hold_until or notice.at) + STALE_AFTER,
        hold_until=notice.hold_until,
        second=notice.second,
        alarms=() if notice.kind is Kind.CLEARED else names,
    )


def _raised(notice: Notice, reader: Reader, escalates_at: datetime | None) -> tuple[str, str]:
    said = [saying(alarm, reader, notice.at) for alarm in notice.alarms]
    head = said[0].head + (f" (and {len(said) - 1} more)" if len(said) > 1 else "")
    if notice.kind is Kind.ESCALATED:
        head = f"No answer: {head}"
    parts = [
        "\n".join(
            filter(
                None,
                (
                    f"{_sentence(one.what)}",
                    f"What to do: {one.do}.",
                    f"How sure: {one.sure}." if one.sure else "",
                ),
            )
        )
        for one in said
    ]
    if notice.kind is Kind.ESCALATED:
        told = notice.alarms[0].woken_at or notice.alarms[0].told_at or notice.at
        parts.insert(0, f"Told again, since nobody has answered it from {reader.clock(told, notice.at)} on.")
    if notice.until_at is not None:
        parts.append(f"This holds until {reader.clock(notice.until_at, notice.at)}.")
    if notice.also:
        parts.append(f"Still standing as well: {'; '.join(alarm.spot.words for alarm in notice.also)}.")
    if notice.settled:
        parts.append(sleep_words(notice.alarms, reader, notice.at))
    parts.append(_answer(notice.alarms, reader, notice.at, escalates_at))
    return head, "\n\n".join(parts)


def sleep_words(alarms: tuple[Alarm, ...], reader: Reader, at: datetime) -> str:
    """Return that nobody is woken for what people know of when they go to bed, and how to be all the same."""
    words = "Now that you know, nobody will be woken for this unless it gets much worse."
    facts = [one.finding.facts for one in alarms if one.finding is not None]
    wake_at = min((one.by_at - WAKE_BEFORE for one in facts if one.by_at is not None), default=at)
    if wake_at <= at + WAKE_BEFORE:
        return words
    names = " ".join(alarm.name for alarm in alarms)
    return f"{words}\nIf you want to be: layday alarms aside {names} --until {reader.hour(wake_at)}"


def _answer(alarms: tuple[Alarm, ...], reader: Reader, at: datetime, escalates_at: datetime | None) -> str:
    names = " ".join(alarm.name for alarm in alarms)
    words = f"When you have seen to it: layday alarms ack {names}"
    if escalates_at is not None:
        words += f"\nWithout an answer by {reader.clock(escalates_at, at)} this is told again."
    return words


def _cleared(notice: Notice, reader: Reader) -> tuple[str, str, Weight]:
    (alarm,) = notice.alarms
    part = alarm.finding.facts.part if alarm.finding is not None else ""
    where = f"{part} ({alarm.spot.bay})" if part else alarm.spot.bay or "shed"
    raised = (
        "" if alarm.raised_at is None else f" It was raised at {reader.clock(alarm.raised_at, notice.at)}."
    )
    text = f"Over: {alarm.spot.cause.value}, {where}. You need do nothing.{raised}"
    if notice.also:
        text += f"\n\nStill standing: {'; '.join(one.spot.words for one in notice.also)}."
    return f"{where}: over: {alarm.spot.cause.value}", text, Weight.QUIET


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."
