"""Wake-ups and failed cures over many nights: ``python -m tests.bench.alarms [--jobs N] [SET …]``.

A set is ``tent`` or a measured room, as ``house_belgium/office``; ``@8`` after it lays at eight in the
morning, so that what can still be done must be done by night. Each day a batch is laid and wanted sandable
at an hour that one in seven of the batches just before would have missed: somebody plans who knows the shed.
Every half hour an outlook is made from what was measured by then and a forecast of at most three hours ago;
alarms follow it. Nobody ever does anything about the cure.

Whoever is woken answers within five minutes, but sleeps on one time in five (our assumption; ``--asleep 1``:
nobody ever answers), and then the second person is woken too. What is told without hurry nobody answers.

`failed` nights are those whose measured course got there later than wanted. They must have been told of, and
not called off since, two hours before where the forecast `allowed` (it gave less than even odds two and a
quarter hours before or earlier), else when it happened. A night is `pressed` where in quiet
hours an alarm stood that somebody could still go out for. The simulated tent loses its flame in one night of
eight. A run that was stopped goes on where it was (``build/bench-alarms``).
"""

import argparse
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from datetime import time as clock_time

import numpy as np

from dashboards.notify.causes import AlarmCause
from dashboards.notify.finding import Spot
from dashboards.notify.quiet import QuietHours
from dashboards.notify.service import scene_of
from dashboards.notify.shed_findings import findings
from dashboards.notify.states import acknowledged
from dashboards.notify.watch import Kind, Notice, Policy, Watch, step
from forecast.outlook import Outlook
from tests.bench.alarm_nights import (
    BLOCK,
    Shed,
    Span,
    arrival,
    kept,
    measured,
    paces_once,
    settings,
    spans,
    tent,
)

POLICY = Policy(QuietHours(clock_time(22), clock_time(6, 30)))
SETS = ("tent", "tent@8", "house_belgium/laundry", "house_belgium/office")
LAID_H = 16.0
LEAD = timedelta(hours=2)
ANSWERS_AFTER = timedelta(minutes=5)
ASLEEP_ODDS = 0.2
_FATE = {AlarmCause.STAGE_AT_RISK, AlarmCause.STALL_AHEAD}


@dataclass(frozen=True)
class Night:
    """What came of a night; `announced_at` is since when people knew that it would fail."""

    span: Span
    arrived_at: datetime | None
    wakes: int
    escalations: int
    told: int
    said: bool
    announced_at: datetime | None
    allowed: bool
    pressed: bool

    @property
    def failed(self) -> bool:
        """Whether the cure truly was not there at the hour wanted."""
        return self.arrived_at is None or self.arrived_at > self.span.wanted_at

    @property
    def is_announced(self) -> bool:
        """Whether a failed one was told of in time."""
        latest = self.span.wanted_at - LEAD if self.allowed else self.span.wanted_at
        return self.announced_at is not None and self.announced_at <= latest


def follow(
    span: Span,
    made: Sequence[Outlook],
    arrived_at: datetime | None,
    asleep_odds: float = ASLEEP_ODDS,
    policy: Policy = POLICY,
) -> Night:
    """Follow one night's alarms through its outlooks, from laying to the hour wanted."""
    watch, before = Watch(), None
    notices: list[Notice] = []
    allowed, pressed = False, False
    random = np.random.default_rng(span.laid_at.toordinal())
    for outlook in made:
        at = outlook.issued_at
        allowed |= _sees_it(outlook, span.wanted_at - at)
        found = step(watch, findings(scene_of(outlook, before, at)), at, policy)
        watch, before = found.watch, outlook
        pressed |= policy.is_quiet(at) and any(
            one.finding is not None and one.finding.wakes for one in watch.live
        )
        notices += found.notices
        if any(one.urgent for one in found.notices) and random.random() >= asleep_odds:
            watch = _answered(watch, found.notices, at + ANSWERS_AFTER)
    return Night(
        span,
        arrived_at,
        wakes=sum(one.wakes for one in notices if one.kind is Kind.RAISED),
        escalations=sum(one.wakes for one in notices if one.kind is Kind.ESCALATED),
        told=len(notices),
        said=any(one.kind is Kind.RAISED and _of_fate(one) for one in notices),
        announced_at=_announced_at(notices, span),
        allowed=allowed,
        pressed=pressed,
    )


def _answered(watch: Watch, notices: Sequence[Notice], at: datetime) -> Watch:
    """Return the alarms after somebody has answered what is urgent."""
    spots = {one.spot for notice in notices if notice.urgent for one in notice.alarms}
    alarms = (acknowledged(one, at, "first") if one.spot in spots else one for one in watch.alarms)
    return replace(watch, alarms=tuple(alarms))


def _of_fate(notice: Notice) -> set[Spot]:
    return {one.spot for one in notice.alarms if one.spot.cause in _FATE}


def _announced_at(notices: Sequence[Notice], span: Span) -> datetime | None:
    """Return since when people knew of it without it being called off, at the hour wanted."""
    standing: set[Spot] = set()
    since: datetime | None = None
    for notice in notices:
        if notice.kind is Kind.CLEARED and notice.at <= span.wanted_at:
            standing -= _of_fate(notice)
        elif notice.kind is Kind.RAISED and _of_fate(notice):
            since = since if standing else notice.hold_until or notice.at
            standing |= _of_fate(notice)
    return since if standing else None


def _sees_it(outlook: Outlook, left: timedelta) -> bool:
    if left < LEAD + timedelta(minutes=15):
        return False
    return any(cure.ready is not None and (cure.ready.odds or 0.0) < 0.5 for cure in outlook.cures)


def nights(
    shed: Shed, count: int, laid_h: float = LAID_H, asleep_odds: float = ASLEEP_ODDS, jobs: int = 1
) -> Iterator[Night]:
    """Yield what came of each night."""
    config = settings(shed)
    all_spans = spans(shed, config, count, laid_h)
    blocks = [all_spans[i : i + BLOCK] for i in range(0, len(all_spans), BLOCK)]
    with ProcessPoolExecutor(jobs) as pool, paces_once():
        made = pool.map(kept, [shed] * len(blocks), [config] * len(blocks), blocks)
        for block, outlooks in zip(blocks, made, strict=True):
            for span, ones in zip(block, outlooks, strict=True):
                yield follow(span, ones, arrival(shed, config, span.laid_at), asleep_odds)


def line(night: Night) -> str:
    """Return a night's line: hours after laying at which it was wanted, there, and told of."""

    def hours(at: datetime | None) -> str:
        return "   -" if at is None else f"{(at - night.span.laid_at) / timedelta(hours=1):4.1f}"

    said = "failed, " + ("told in time" if night.is_announced else "NOT TOLD IN TIME") if night.failed else ""
    return (
        f"  {night.span.laid_at:%Y-%m-%d %H}h  wanted {hours(night.span.wanted_at)}, "
        f"there {hours(night.arrived_at)}, told {hours(night.announced_at)} h; "
        f"wake-ups {night.wakes}+{night.escalations} {'pressed ' if night.pressed else ''}{said}"
    )


def summary(name: str, found: Sequence[Night]) -> str:
    """Return a set's line; wake-ups of the first person, and of both."""
    wakes = [night.wakes for night in found]
    both = [night.wakes + night.escalations for night in found]
    failed = [night for night in found if night.failed]
    false = sum(night.said for night in found if not night.failed)
    return (
        f"{name} {len(found)} nights, pressed {sum(night.pressed for night in found)}: "
        f"wake-ups mean {np.mean(wakes):.2f}, most {max(wakes)}; with the second person's mean "
        f"{np.mean(both):.2f}, most {max(both)}; messages mean {np.mean([one.told for one in found]):.1f}; "
        f"failed {len(failed)}, announced in time {sum(night.is_announced for night in failed)} "
        f"({sum(night.allowed for night in failed)} could be seen 2 h before), "
        f"said of {false} that did not fail"
    )


def main() -> None:
    """Print a line a set, and every night that failed, woke or pressed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sets", nargs="*", default=SETS)
    parser.add_argument("--nights", type=int, default=0, help="nights a set (else 100 and 60)")
    parser.add_argument("--jobs", type=int, default=1, help="processes that make outlooks")
    parser.add_argument("--asleep", type=float, default=ASLEEP_ODDS, help="odds that nobody answers")
    given = parser.parse_args()
    for name in given.sets:
        began_s = time.monotonic()
        place, _, hour = name.partition("@")
        count = given.nights or (100 if place == "tent" else 60)
        shed = tent(count) if place == "tent" else measured(place)
        found = []
        for night in nights(shed, count, float(hour) if hour else LAID_H, given.asleep, given.jobs):
            found.append(night)
            if night.failed or night.wakes or night.pressed:
                print(line(night), flush=True)
        print(f"{summary(name, found)}; {time.monotonic() - began_s:.0f} s", flush=True)


if __name__ == "__main__":
    main()
