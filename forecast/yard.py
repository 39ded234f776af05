"""All sheds of a yard from its central store alone, the worst first."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from collector.clock import to_us
from collector.domain import Reading
from collector.store.central import Engine
from collector.store.memory import MemoryStore
from forecast.shed_now import OUTLOOK_STALE, shed_now
from forecast.verdict import WORST_FIRST, BayNow, Limits, Verdict, worst
from forecast.yard_numbers import Told, limits_from, told_from

_LOOK_BACK = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class ShedLine:
    """One shed at one moment.

    `verdict` is the worst of its bays, judged by its newest readings, and of its live cures.
    `worst_bay` is None where none was heard for two days, `heard_at` too. `told` is what its
    newest outlook told; None where there is none, or it is too old to go by.
    """

    shed: str
    verdict: Verdict
    heard_at: datetime | None
    worst_bay: BayNow | None
    told: Told | None


def yard(engine: Engine, at: datetime, otherwise: Limits) -> list[ShedLine]:
    """Return every shed that forwards to a central store, the worst first, then by name.

    Parameters
    ----------
    engine : Engine
        The central store.
    at : datetime
        The moment, aware.
    otherwise : Limits
        Limits of a shed that told none of its own.

    Raises
    ------
    StoreError
        If the central store does not answer.
    """
    numbers = engine.numbers(to_us(at))
    latest: dict[str, list[Reading]] = {shed: [] for shed in {*engine.sheds(), *numbers}}
    for item in engine.newest("", to_us(at - _LOOK_BACK), to_us(at)):
        latest.setdefault(item.shed, []).append(item.reading)
    lines = [_line(shed, latest[shed], numbers.get(shed, {}), at, otherwise) for shed in latest]
    return sorted(lines, key=lambda line: (WORST_FIRST.index(line.verdict), line.shed))


def _line(
    shed: str, latest: Sequence[Reading], numbers: Mapping[str, float], at: datetime, otherwise: Limits
) -> ShedLine:
    newest = MemoryStore()
    newest.add(latest)
    bays = shed_now(newest, shed, {}, limits_from(numbers, otherwise), at).bays
    told = told_from(numbers)
    if told is not None and not timedelta(0) <= at - told.outlook_at <= OUTLOOK_STALE:
        told = None
    verdicts = [bay.verdict for bay in bays]
    if told is not None and told.live_cures:
        verdicts.append(told.cures_verdict)
    return ShedLine(
        shed=shed,
        verdict=worst(verdicts) if bays else Verdict.NO_NEWS,
        heard_at=max((reading.at for reading in latest), default=None),
        worst_bay=_worst_bay(bays),
        told=told,
    )


def _worst_bay(bays: Sequence[BayNow]) -> BayNow | None:
    return min(bays, key=lambda bay: WORST_FIRST.index(bay.verdict), default=None)
