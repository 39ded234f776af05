"""One live cure, measured then forecast: is it on track."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from forecast.cautions import Trouble
from forecast.cure_ahead import (
    PartAhead,
    StagePaths,
    coldest_ahead,
    dew_ahead,
    ready,
    recoat_ahead,
    stage_paths,
    stages_ahead,
)
from forecast.cure_outlook import Arrival, Basis, CureOutlook, Dew, Ready, Remedy, Rescue, StageAhead, Wanted
from forecast.cure_state import CureState, Moment
from forecast.pace import CureRates
from forecast.rescue import relight, rescues
from forecast.tonight import CureTonight, Laid
from forecast.verdict import Verdict, worst
from forecast.window import DEFAULT_THRESHOLDS, Thresholds

_DEW_TIGHT_ODDS = 0.25  # a wet surface that may see dew this likely is no longer simply on track: our choice


@dataclass(frozen=True, slots=True)
class _Known:
    """What is worked out of one cure before it is judged."""

    basis: Basis
    ahead: tuple[StageAhead, ...] = ()
    ready: Ready | None = None
    opens: Arrival | None = None
    closes: Arrival | None = None
    dew: Dew | None = None
    rescues: tuple[Rescue, ...] = ()
    notes: tuple[str, ...] = ()


Relit = Sequence[tuple[datetime, PartAhead]]
"""A part's paths if a heater that has stopped burns again from some moments on, the soonest first."""


def cure_outlook(
    found: CureTonight,
    ahead: PartAhead | None,
    thresholds: Thresholds = DEFAULT_THRESHOLDS,
    relit: Relit = (),
) -> CureOutlook:
    """Return what may come of a cure.

    Parameters
    ----------
    found : CureTonight
        The cure as it stands, with its rates.
    ahead : PartAhead, optional
        The sample paths of its part from the same moment. Without them it goes on at the warmth
        of the last hours, and says so.
    thresholds : Thresholds, optional
        What odds are called go and tight.
    relit : sequence of (datetime, PartAhead), optional
        Where `ahead` is of a shed whose heater has stopped.
    """
    odds, state, rates = thresholds, found.state, found.rates
    if state is None or rates is None or state.silent_h:
        return _outlook(found.laid, state, _Known(Basis.NOTHING), odds, ahead=None)
    if ahead is None:
        return _outlook(found.laid, state, _at_last_warmth(state, rates, found.laid), odds, ahead=None)
    return _outlook(
        found.laid, state, _on_paths(state, rates, found.laid, _Hours(ahead, relit), odds), odds, ahead
    )


class _Hours(NamedTuple):
    """A part's hours ahead: as they come, and if a heater that has stopped is lit."""

    as_is: PartAhead
    relit: Relit


def _on_paths(state: CureState, rates: CureRates, laid: Laid, hours: _Hours, odds: Thresholds) -> _Known:
    ahead = hours.as_is
    paths = stage_paths(rates, state, ahead)
    wanted = None if laid.wanted is None else ready(paths, state, ahead, laid.wanted)
    opens, closes = recoat_ahead(rates, state, ahead)
    dew = dew_ahead(paths, ahead)
    return _Known(
        basis=Basis.FORECAST,
        ahead=stages_ahead(paths, ahead),
        ready=wanted,
        opens=opens,
        closes=closes,
        dew=dew,
        rescues=_rescues(state, rates, hours, (paths, wanted, dew), odds.go_odds),
        notes=_notes(laid, wanted),
    )


def _rescues(
    state: CureState,
    rates: CureRates,
    hours: _Hours,
    found: tuple[tuple[StagePaths, ...], Ready | None, Dew | None],
    go_odds: float,
) -> tuple[Rescue, ...]:
    """Return what may still be done; where lighting the heater is enough, no other warmth is asked for."""
    paths, wanted, dew = found
    unstall = _unstall(state, rates)
    if wanted is None or wanted.reached or wanted.odds is None:
        return (*unstall, *rescues(None, None, dew, hours.as_is, go_odds))
    light = relight(_odds_if_lit(state, rates, hours.relit, wanted.wanted), wanted.odds, go_odds)
    if light is not None and light.odds is not None and light.odds >= go_odds:
        return (light, *rescues(None, None, dew, hours.as_is, go_odds))
    one = next((path for path in paths if path.stage is wanted.wanted.stage), None)
    first = unstall if light is None else (light,)
    return (*first, *rescues(one, wanted.wanted.at, dew, hours.as_is, go_odds))


def _odds_if_lit(
    state: CureState, rates: CureRates, relit: Relit, wanted: Wanted
) -> list[tuple[datetime, float]]:
    """Return the odds of being ready if the heater burns again from each moment before the hour wanted."""
    found = []
    for at, ahead in relit:
        if at < wanted.at and (then := ready(stage_paths(rates, state, ahead), state, ahead, wanted)):
            found += [] if then.odds is None else [(at, then.odds)]
    return found


def _at_last_warmth(state: CureState, rates: CureRates, laid: Laid) -> _Known:
    """Fall back on what the cure would do if the part stayed as warm as in the last hours."""
    wanted = None if laid.wanted is None else ready((), state, None, laid.wanted)
    return _Known(
        basis=Basis.LAST_HOURS,
        ahead=tuple(StageAhead(s.stage, _as_arrival(s.when)) for s in state.stages if s.reached_at is None),
        ready=wanted,
        opens=_edge(state.opens, state.at),
        closes=_edge(state.closes, state.at),
        rescues=_unstall(state, rates),
        notes=(
            "no forecast: the hours ahead are reckoned at the warmth of the last ones",
            *_notes(laid, wanted),
        ),
    )


def _notes(laid: Laid, wanted: Ready | None) -> tuple[str, ...]:
    if laid.wanted is not None and wanted is None:
        return (f"its card has no times for {laid.wanted.stage.value}: nobody can tell when that is",)
    return ()


def _edge(moment: Moment | None, at: datetime) -> Arrival | None:
    """Return an edge of the recoat window that is still to come."""
    if moment is None or (moment.likely_at is not None and moment.likely_at <= at):
        return None
    return _as_arrival(moment)


def _as_arrival(moment: Moment) -> Arrival:
    return Arrival(moment.earliest_at, moment.likely_at, moment.latest_at)


def _unstall(state: CureState, rates: CureRates) -> tuple[Rescue, ...]:
    """Say how much warmer a stalled part has to be for its cure to go on at all; the sooner the better."""
    if not state.stalled:
        return ()
    stalled = next((c for c in state.cautions if c.trouble is Trouble.STALLED and c.temp_c is not None), None)
    floor_c = rates.card.application.temp_min_c if stalled is None else stalled.temp_c
    if floor_c is None or floor_c <= state.warmth.now_c:
        return ()
    return (Rescue(Remedy.WARM, None, warmer_k=floor_c - state.warmth.now_c, part_c=floor_c),)


def _outlook(
    laid: Laid, state: CureState | None, known: _Known, odds: Thresholds, ahead: PartAhead | None
) -> CureOutlook:
    until = laid.wanted.at if laid.wanted is not None else None
    return CureOutlook(
        key=laid.key,
        bay=laid.bay,
        part=laid.part,
        card=laid.card.key,
        card_name=laid.card.name,
        catalyst_pct=laid.catalyst_pct,
        lot=laid.lot,
        reference_c=laid.card.reference_c,
        base_c=laid.card.base_c,
        laid_at=laid.laid_at,
        verdict=_verdict(state, known, odds),
        basis=known.basis,
        state=state,
        ahead=known.ahead,
        ready=known.ready,
        opens=known.opens,
        closes=known.closes,
        coldest=None if ahead is None or not known.ahead else coldest_ahead(ahead, until),
        dew=known.dew,
        rescues=known.rescues,
        notes=known.notes,
    )


def _verdict(state: CureState | None, known: _Known, odds: Thresholds) -> Verdict:
    """Judge a cure: no news of it, late at its hour, stalled, or dew while it is wet; else on track."""
    if state is None or state.silent_h:
        return Verdict.NO_NEWS
    found = [Verdict.GO]
    if state.stalled:
        found.append(Verdict.TIGHT)
    if known.dew is not None and known.dew.odds >= _DEW_TIGHT_ODDS:
        found.append(Verdict.TIGHT)
    if known.ready is not None and not known.ready.reached:
        found.append(_ready_verdict(known.ready, known.ahead, odds))
    return worst(found)


def _ready_verdict(wanted: Ready, ahead: tuple[StageAhead, ...], odds: Thresholds) -> Verdict:
    if wanted.odds is not None:
        return odds.verdict(wanted.odds)
    when = next((one.when for one in ahead if one.stage is wanted.wanted.stage), None)
    if when is None:
        return Verdict.GO
    return _bounded(when, wanted.wanted)


def _bounded(when: Arrival, wanted: Wanted) -> Verdict:
    """Judge by bounds where there are no odds; beyond the forecast nothing speaks against it yet."""
    if when.odds is not None:
        return Verdict.GO
    if when.likely_at is None or when.likely_at > wanted.at:
        return Verdict.NO_GO
    return Verdict.GO if when.latest_at is not None and when.latest_at <= wanted.at else Verdict.TIGHT
