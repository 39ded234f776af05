"""The life of one alarm: pure, a step for each look."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from dashboards.notify.causes import RULES
from dashboards.notify.finding import Finding, Sight, Spot

UNKNOWN_ENDS = timedelta(hours=2)
"""An alarm that nothing has confirmed for so long ends: nobody knows whether it still holds."""
SAME_EPISODE = timedelta(hours=1)
"""What comes back this soon is the same trouble still: nobody is woken twice for it."""
UNSEEN_FOR = timedelta(hours=12)


class Standing(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    RAISED = "raised"
    ACKNOWLEDGED = "acknowledged"
    CLEARED_UNSEEN = "cleared unseen"
    SET_ASIDE = "set aside"


LIVE = frozenset({Standing.RAISED, Standing.ACKNOWLEDGED, Standing.SET_ASIDE})


class Turn(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    ANEW = "told anew"
    RETURNED = "returned"
    CLEARED = "cleared"
    LAPSED = "lapsed"
    OVER = "over"
    ACKNOWLEDGED = "acknowledged"
    SET_ASIDE = "set aside"
    TOLD = "told"
    WOKEN = "woken"
    ESCALATED = "escalated"
    FORGOTTEN = "forgotten"


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm: where it stands since `since`, and what it is about.

    `number` names its episode, 0 before the first, `thread` the messages it is told among.
    `there_since`, `gone_since` and `unknown_since` say since when its cause has been seen, gone or not
    known without a break, `held_at` when it was last hidden behind another. `told_at`, `woken_at` and
    `escalated_at` are when people were told of this episode, told that somebody must go out (`urgent` if
    that could not wait for their sleep), and told again for want of an answer. `told_when_at` is when what
    they were told of was then expected, `worse_since` since when it is much worse than that.
    """

    spot: Spot
    since: datetime
    standing: Standing = Standing.NORMAL
    number: int = 0
    thread: str = ""
    finding: Finding | None = None
    there_since: datetime | None = None
    gone_since: datetime | None = None
    unknown_since: datetime | None = None
    held_at: datetime | None = None
    raised_at: datetime | None = None
    told_at: datetime | None = None
    told_when_at: datetime | None = None
    worse_since: datetime | None = None
    woken_at: datetime | None = None
    urgent: bool = False
    escalated_at: datetime | None = None
    answered_at: datetime | None = None
    answered_by: str = ""
    aside_until: datetime | None = None

    @property
    def name(self) -> str:
        """The name people answer to, as in ``a12``."""
        return f"a{self.number}"

    @property
    def is_live(self) -> bool:
        """Whether it is raised, acknowledged or set aside."""
        return self.standing in LIVE


def looked_at(alarm: Alarm, finding: Finding | None, at: datetime) -> tuple[Alarm, Turn | None]:
    """Return an alarm after one look, and what happened to it.

    Parameters
    ----------
    alarm : Alarm
        As it was. A new episode keeps its number: whoever keeps them numbers it.
    finding : Finding, optional
        What is seen; None where the spot is no more: its cure has ended, or nobody can act.
    at : datetime
        The moment of looking, aware, not before the last.
    """
    if finding is None:
        if alarm.standing is Standing.NORMAL:
            return replace(alarm, there_since=None, finding=None), None
        return _ended(alarm, Standing.NORMAL, at), Turn.OVER
    alarm = _timed(alarm, finding, at)
    if alarm.is_live:
        return _live(alarm, at)
    return _dormant(alarm, at)


def _timed(alarm: Alarm, finding: Finding, at: datetime) -> Alarm:
    """Keep the times since when the cause is there, gone or not known; keep the last that was known."""
    sight = finding.sight
    known = finding if sight in {Sight.THERE, Sight.BETWEEN} or alarm.finding is None else alarm.finding
    worse = alarm.is_live and finding.is_much_worse(alarm.told_when_at)
    return replace(
        alarm,
        finding=known,
        there_since=(alarm.there_since or at) if sight is Sight.THERE else None,
        gone_since=(alarm.gone_since or at) if sight is Sight.CLEAR else None,
        unknown_since=(alarm.unknown_since or at) if sight is Sight.UNKNOWN else None,
        worse_since=(alarm.worse_since or at) if worse else None,
        held_at=at if sight is Sight.HELD else alarm.held_at,
    )


def _live(alarm: Alarm, at: datetime) -> tuple[Alarm, Turn | None]:
    gone = alarm.gone_since is not None and at - alarm.gone_since >= RULES[alarm.spot.cause].off_delay
    lapsed = alarm.unknown_since is not None and at - alarm.unknown_since >= UNKNOWN_ENDS
    if gone or lapsed:
        unseen = alarm.standing is Standing.RAISED
        ended = _ended(alarm, Standing.CLEARED_UNSEEN if unseen else Standing.NORMAL, at)
        return ended, Turn.LAPSED if lapsed else Turn.CLEARED
    if alarm.standing is Standing.SET_ASIDE and alarm.aside_until is not None and at >= alarm.aside_until:
        if alarm.there_since is None:
            return alarm, None
        return _raised(alarm, at), Turn.RAISED  # as was asked for: it is told anew
    worse = alarm.worse_since is not None and at - alarm.worse_since >= RULES[alarm.spot.cause].on_delay
    if worse and alarm.standing is not Standing.SET_ASIDE:
        return _raised(alarm, at), Turn.RAISED  # whoever was told of an hour's delay knows nothing of this
    return alarm, None


def _dormant(alarm: Alarm, at: datetime) -> tuple[Alarm, Turn | None]:
    there = alarm.there_since is not None and (
        at - alarm.there_since >= RULES[alarm.spot.cause].on_delay
        or (alarm.finding is not None and alarm.finding.sure)
    )
    if there and alarm.raised_at is not None and alarm.number and at - alarm.since <= SAME_EPISODE:
        back = Standing.ACKNOWLEDGED if alarm.answered_at is not None else Standing.RAISED
        return replace(alarm, standing=back, since=at), Turn.RETURNED
    if there:
        return _raised(alarm, at), Turn.RAISED
    if alarm.standing is Standing.CLEARED_UNSEEN and at - alarm.since >= UNSEEN_FOR:
        return replace(alarm, standing=Standing.NORMAL, since=at), Turn.FORGOTTEN
    return alarm, None


def _raised(alarm: Alarm, at: datetime) -> Alarm:
    return Alarm(
        alarm.spot,
        at,
        Standing.RAISED,
        finding=alarm.finding,
        there_since=alarm.there_since,
        raised_at=at,
    )


def _ended(alarm: Alarm, standing: Standing, at: datetime) -> Alarm:
    return replace(alarm, standing=standing, since=at, there_since=None, gone_since=None, unknown_since=None)


def acknowledged(alarm: Alarm, at: datetime, by: str) -> Alarm:
    """Return an alarm that somebody has seen; one that is cleared is done with."""
    if alarm.standing is Standing.CLEARED_UNSEEN:
        return replace(alarm, standing=Standing.NORMAL, since=at, answered_at=at, answered_by=by)
    if alarm.standing is not Standing.RAISED:
        return alarm
    return replace(alarm, standing=Standing.ACKNOWLEDGED, since=at, answered_at=at, answered_by=by)


def set_aside(alarm: Alarm, at: datetime, until: datetime, by: str) -> Alarm:
    """Return an alarm that nobody wants to hear of before `until`.

    Raises
    ------
    ValueError
        If `until` is not after `at`.
    """
    if until <= at:
        raise ValueError(f"set aside until {until.isoformat()}, which is past")
    if not alarm.is_live:
        return alarm
    return replace(
        alarm,
        standing=Standing.SET_ASIDE,
        since=at,
        aside_until=until,
        answered_at=alarm.answered_at or at,
        answered_by=by,
    )
