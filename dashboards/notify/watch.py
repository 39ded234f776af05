"""All alarms of a shed, a step for each look: what is hidden, what is told, to whom, and when. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from dashboards.notify.causes import (
    ALWAYS_WAKES,
    CALLS_IN,
    OF_A_CURES_FATE,
    OF_THE_AIR,
    ON_READINGS,
    AlarmCause,
)
from dashboards.notify.finding import Finding, Sight, Spot
from dashboards.notify.quiet import QuietHours
from dashboards.notify.states import Alarm, Standing, Turn, looked_at

WAKE_UPS_PER_NIGHT = 2
AWAKE_FOR = timedelta(minutes=20)
"""Whoever was woken is still up for so long: what comes up meanwhile is told, and wakes nobody anew."""
SEEN_WITHIN = timedelta(minutes=15)
"""What reaches people so long before the quiet hours they have seen when they go to bed: our choice."""
UP_BY = timedelta(minutes=30)
"""So long after the quiet hours people are up and can do something: our choice."""
SHED_THREAD = "shed"


@dataclass(frozen=True, slots=True)
class Policy:
    """When people may be disturbed, and after how long without an answer the second person is."""

    quiet: QuietHours | None = None
    escalate_after: timedelta = timedelta(minutes=25)

    def is_quiet(self, at: datetime) -> bool:
        """Say whether a moment is in the quiet hours."""
        return self.quiet is not None and self.quiet.hold(at)


class Kind(StrEnum):
    """What a notice tells."""

    RAISED = "raised"
    ESCALATED = "escalated"
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Notice:
    """Something to tell people.

    `alarms` are those it is about, `also` others of its thread that still stand. `urgent` gets people up;
    `wakes` says that it does so in quiet hours, `settled` that nobody will be woken for it later unless it
    gets much worse. `silent` makes no sound, `second` is told to the second
    person too. It waits until `hold_until`, and is worth nothing after `until_at`.
    """

    kind: Kind
    thread: str
    alarms: tuple[Alarm, ...]
    at: datetime
    also: tuple[Alarm, ...] = ()
    urgent: bool = False
    wakes: bool = False
    silent: bool = False
    settled: bool = False
    second: bool = False
    hold_until: datetime | None = None
    until_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Happened:
    """One line of the history."""

    at: datetime
    alarm: Alarm
    turn: Turn


@dataclass(frozen=True, slots=True)
class Watch:
    """Every alarm, the number of the next episode, and when people were last woken."""

    alarms: tuple[Alarm, ...] = ()
    next_number: int = 1
    woken: tuple[datetime, ...] = ()

    @property
    def live(self) -> tuple[Alarm, ...]:
        """Alarms that stand."""
        return tuple(one for one in self.alarms if one.is_live)


@dataclass(frozen=True, slots=True)
class Step:
    """What a look came to."""

    watch: Watch
    notices: tuple[Notice, ...] = ()
    happened: tuple[Happened, ...] = ()


def step(
    watch: Watch,
    found: Iterable[Finding],
    at: datetime,
    policy: Policy,
    reached: Mapping[str, datetime] | None = None,
) -> Step:
    """Return the alarms after a look, and what has to be told.

    Parameters
    ----------
    watch : Watch
        The alarms as they were.
    found : iterable of Finding
        What is seen (`dashboards.notify.shed_findings.findings`).
    at : datetime
        The moment of looking, aware.
    policy : Policy
        When people may be disturbed.
    reached : mapping of str to datetime, optional
        When word of each alarm, by its name, first reached somebody; without it, when it was told.
    """
    seen = _hidden({one.spot: one for one in found}, watch.alarms)
    before = {one.spot: one for one in watch.alarms}
    happened: list[Happened] = []
    alarms: dict[Spot, Alarm] = {}
    number = watch.next_number
    for spot in sorted({*seen, *before}, key=_order):
        alarm, turn = looked_at(before.get(spot, Alarm(spot, at)), seen.get(spot), at)
        if turn is Turn.RAISED:
            if spot in before and before[spot].is_live:
                happened.append(Happened(at, before[spot], Turn.ANEW))
            alarm, number = replace(alarm, number=number), number + 1
        if turn is not None:
            happened.append(Happened(at, alarm, turn))
        alarms[spot] = alarm
    told = _Told(alarms, watch.woken, at, policy, reached)
    told.ends(happened)
    told.beginnings({one.alarm.spot for one in happened if one.turn is Turn.RETURNED})
    told.unanswered()
    kept = tuple(one for one in alarms.values() if one.spot in seen or one.standing is not Standing.NORMAL)
    after = Watch(kept, number, tuple(one for one in told.woken if at - one <= timedelta(days=1)))
    return Step(after, tuple(told.notices), (*happened, *told.happened))


def _order(spot: Spot) -> tuple[int, str, str]:
    return list(AlarmCause).index(spot.cause), spot.bay, spot.cure


def _hidden(seen: dict[Spot, Finding], alarms: Sequence[Alarm]) -> dict[Spot, Finding]:
    """Hide what another cause explains, and what rests on a sensor that is lost."""
    live = {one.spot for one in alarms if one.is_live}
    there = {spot for spot, one in seen.items() if one.sight is Sight.THERE} | (live & seen.keys())
    lost = {spot.bay for spot in there if spot.cause is AlarmCause.SENSOR_LOST}
    no_heat = any(spot.cause is AlarmCause.HEATER_STOPPED for spot in there)
    late = {spot.cure for spot in there if spot.cause is AlarmCause.STAGE_AT_RISK}
    gas = any(spot.cause is AlarmCause.CARBON_MONOXIDE for spot in there)
    down = any(spot.cause is AlarmCause.WATCH_DOWN for spot in there)

    def hidden(one: Finding) -> Finding:
        cause = one.spot.cause
        if cause in ON_READINGS and (one.spot.bay in lost or (not one.spot.bay and lost)):
            return replace(one, sight=Sight.UNKNOWN)
        if (no_heat and cause in OF_THE_AIR) or (gas and cause in CALLS_IN):
            return replace(one, sight=Sight.HELD)
        if cause is AlarmCause.STALL_AHEAD and one.spot.cure in late:
            return replace(one, sight=Sight.HELD)
        return one

    after = {spot: hidden(one) for spot, one in seen.items()}
    if down:  # nothing else can be told for now, but nothing is over either
        after |= {spot: Finding(spot, Sight.UNKNOWN) for spot in live if spot not in after}
    return after


class _Told:
    """Collects what a step tells; changes its alarms as they are told."""

    def __init__(
        self,
        alarms: dict[Spot, Alarm],
        woken: Sequence[datetime],
        at: datetime,
        policy: Policy,
        reached: Mapping[str, datetime] | None,
    ) -> None:
        self._alarms = alarms
        self._at = at
        self._policy = policy
        self._quiet = policy.is_quiet(at)
        self._reached = reached
        self.woken = list(woken)
        self.notices: list[Notice] = []
        self.happened: list[Happened] = []

    def ends(self, happened: Iterable[Happened]) -> None:
        """Tell what has cleared; whatever of it is unsent is cancelled by the outbox."""
        for one in happened:
            if one.turn in {Turn.CLEARED, Turn.LAPSED, Turn.OVER} and one.alarm.told_at is not None:
                thread = one.alarm.thread
                also = self._of_thread(thread, {one.alarm.spot})
                self.notices.append(Notice(Kind.CLEARED, thread, (one.alarm,), self._at, also))

    def beginnings(self, returned: set[Spot]) -> None:
        """Tell what is raised and not told yet, and get people up for what has become pressing."""
        raised = [one for one in self._alarms.values() if one.standing is Standing.RAISED]
        pressing = [
            one for one in raised if one.woken_at is None and _wakes(one) and not self._can_sleep(one)
        ]
        calm = [
            one for one in raised if one not in pressing and (one.told_at is None or one.spot in returned)
        ]
        if pressing:
            wakes = self._may_wake(pressing)
            self._tell(_thread(pressing), pressing, pressing=True, urgent=wakes or not self._quiet)
        for thread in dict.fromkeys(one.thread or _thread([one]) for one in calm):
            self._tell(thread, [one for one in calm if (one.thread or _thread([one])) == thread])

    def unanswered(self) -> None:
        """Tell again, and the second person too, what must be seen to and nobody has answered.

        What another cause hid has its time anew from then on: whoever saw to that one saw to this.
        """
        due = [
            one
            for one in self._alarms.values()
            if one.standing is Standing.RAISED
            and one.woken_at is not None
            and one.urgent
            and one.escalated_at is None
            and one.gone_since is None
            and one.unknown_since is None
            and _wakes(one)
            and self._at - max(one.woken_at, one.since, one.held_at or one.since)
            >= self._policy.escalate_after
        ]
        if not due:
            return
        for one in due:
            self._set(replace(one, escalated_at=self._at), Turn.ESCALATED)
        self._notice(Kind.ESCALATED, _thread(due), due, urgent=True, second=True)

    def _can_sleep(self, alarm: Alarm) -> bool:
        """Say whether there is no need to wake anybody for this: it can wait for the morning, or is known.

        Whoever was told in the evening what will come of a cure, and what would help, has decided when they
        went to bed. layday sees neither a cover nor what the delay is worth to them.
        """
        quiet = self._policy.quiet
        if quiet is None or not self._quiet:
            return False
        by_at = None if alarm.finding is None else alarm.finding.facts.by_at
        if by_at is not None and by_at >= quiet.end_after(self._at) + UP_BY:
            return True
        told_at = alarm.told_at if self._reached is None else self._reached.get(alarm.name)
        if told_at is None or alarm.spot.cause not in OF_A_CURES_FATE:
            return False
        # what was called off and came back is known since it came back
        return max(told_at, alarm.since) <= quiet.began_before(self._at) - SEEN_WITHIN

    def _may_wake(self, pressing: Sequence[Alarm]) -> bool:
        """Say whether these get people up; keep count if they do."""
        if not self._quiet:
            return False
        always = any(one.spot.cause in ALWAYS_WAKES for one in pressing)
        night = self._policy.quiet.began_before(self._at) if self._policy.quiet else self._at
        tonight = [one for one in self.woken if one >= night]
        awake = any(self._at - one < AWAKE_FOR for one in self.woken)
        if not always and (awake or len(tonight) >= WAKE_UPS_PER_NIGHT):
            return False
        self.woken.append(self._at)
        return True

    def _tell(
        self, thread: str, alarms: Sequence[Alarm], *, pressing: bool = False, urgent: bool = False
    ) -> None:
        for one in alarms:
            when_at = None if one.finding is None else one.finding.facts.when_at
            told = replace(one, thread=thread, told_at=one.told_at or self._at, told_when_at=when_at)
            if pressing:
                told = replace(told, woken_at=self._at, urgent=urgent)
            self._set(told, Turn.WOKEN if urgent and self._quiet else Turn.TOLD)
        self._notice(Kind.RAISED, thread, alarms, urgent=urgent, calm=not any(_wakes(one) for one in alarms))

    def _notice(
        self,
        kind: Kind,
        thread: str,
        alarms: Sequence[Alarm],
        *,
        urgent: bool = False,
        second: bool = False,
        calm: bool = False,
    ) -> None:
        spots = {one.spot for one in alarms}
        fate = any(spot.cause in OF_A_CURES_FATE for spot in spots)
        held = calm and self._quiet and not fate
        known = kind is Kind.RAISED and all(spot.cause in OF_A_CURES_FATE for spot in spots)
        ends = [one.finding.facts.until_at for one in alarms if one.finding is not None]
        known_ends = [end for end in ends if end is not None]
        self.notices.append(
            Notice(
                kind,
                thread,
                tuple(self._alarms[one.spot] for one in alarms),
                self._at,
                self._of_thread(thread, spots),
                urgent,
                urgent and self._quiet,
                self._quiet and not urgent and not held,
                known and self._is_evening(),
                second,
                self._policy.quiet.end_after(self._at) if held and self._policy.quiet else None,
                max(known_ends) if known_ends and len(known_ends) == len(ends) else None,
            )
        )

    def _is_evening(self) -> bool:
        """Say whether what is told now is seen before people go to bed."""
        quiet = self._policy.quiet
        return quiet is not None and not self._quiet and not quiet.hold(self._at + SEEN_WITHIN)

    def _of_thread(self, thread: str, but: set[Spot]) -> tuple[Alarm, ...]:
        return tuple(
            one
            for one in self._alarms.values()
            if one.is_live
            and (one.thread == thread or one.spot.cause in ALWAYS_WAKES)
            and one.spot not in but
            and one.told_at is not None
        )

    def _set(self, alarm: Alarm, turn: Turn) -> None:
        self._alarms[alarm.spot] = alarm
        self.happened.append(Happened(self._at, alarm, turn))


def _wakes(alarm: Alarm) -> bool:
    return alarm.finding is not None and alarm.finding.wakes


def _thread(alarms: Sequence[Alarm]) -> str:
    """Return the thread that alarms are told in: their cure's, if it is one."""
    cures = {one.spot.cure for one in alarms if one.spot.cure}
    return cures.pop() if len(cures) == 1 else SHED_THREAD
